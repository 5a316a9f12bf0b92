#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::warp {

/// What a finished frame was made from. Both are digests as footage::ContentDigest gives them;
/// frames with equal recipes have equal pixels.
struct Recipe {
  std::string settings;  // of the lens, the options and the version of the program
  std::string source;    // of the content of the input

  friend bool operator==(const Recipe&, const Recipe&) = default;
};

/// What a file under the name of an output is.
enum class FrameMatch {
  kAbsent,         // no file there
  kNoRecord,       // holds no record of its making: made by something else, or cut short
  kOtherSettings,  // made with another lens, other options or another version
  kOtherSource,    // made from another input
  kChanged,        // was made so, but written to since, or cut short
  kComplete,       // is what would be made again
};

/// For a message about a file that is there and is not kComplete: `was made from another input`.
[[nodiscard]] std::string_view to_text(FrameMatch match);

/// What the record of a file says about the lens and the options, at the price of reading its
/// header: kAbsent, kNoRecord, kOtherSettings, or kComplete when nothing speaks against it yet.
FrameMatch match_settings(const std::filesystem::path& path, std::string_view settings);

/// The whole question. Reads all of the file: a record that some program copied into another
/// picture, or a file that a power failure cut short, is found out.
FrameMatch match_frame(const std::filesystem::path& path, const Recipe& recipe);

/// Writes the record of a frame that is finished under `temporary_path` and will be renamed to
/// `final_path`: the recipe, and the digest of the file itself, in which the digits of that digest
/// count as zeros. `content` is that digest where the writer of the file knows it; empty: the file
/// is read for it. EXR files have it in the header attribute detail::kRecordName, which the writer
/// has filled with unfinished_record(); beside other files it is written to record_path(). Until
/// the rename such a record belongs to no file, or to one whose content it contradicts. errors
/// kUnwritable; kInvalidInput: an EXR file without room for it.
Result<void> write_record(const std::filesystem::path& temporary_path,
                          const std::filesystem::path& final_path,
                          const Recipe& recipe,
                          std::string_view content = {});

/// The text to put into an EXR header before write_record(): that of a file whose digest is zero.
[[nodiscard]] std::string unfinished_record(const Recipe& recipe);

/// `.NAME.made` beside the frame.
[[nodiscard]] std::filesystem::path record_path(const std::filesystem::path& final_path);

}  // namespace trueplate::warp
