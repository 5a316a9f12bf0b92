#pragma once

#include <CLI/CLI.hpp>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/profile/profile.h"
#include "cli/command.h"
#include "cli/plate_options.h"
#include "warp/handoff.h"

namespace trueplate::cli {

/// What a hand-off says beside its numbers.
struct HandoffNotes {
  std::string lens;  // as engraved; empty: not named
  std::string serial;
  std::string calibrated;     // when, as in the profile
  std::string made_words;     // what that day is (profile::made_words)
  std::string undistort_map;  // names of map files written along; empty: none
  std::string redistort_map;
  std::vector<Warning> warnings;
};
/// Of a profile, whose numbers are handed off as those of `lens`; with a warning of a film back of
/// another aspect than the plate beside those of its overscan.
HandoffNotes handoff_notes(const profile::Profile& profile,
                           const lens::Lens& lens,
                           const std::vector<Warning>& of_overscan);

/// The hand-off for machines; docs/hand-off.md explains every field.
nlohmann::json handoff_json(const warp::Handoff& handoff, const HandoffNotes& notes);

/// A label and what it says; an empty label goes on with the one above.
struct HandoffRow {
  std::string label;
  std::string content;
};
/// The numbers of one department.
struct HandoffGroup {
  std::string heading;
  std::vector<HandoffRow> rows;
};
/// The hand-off for people.
std::vector<HandoffGroup> handoff_groups(const warp::Handoff& handoff, const HandoffNotes& notes);
/// What is said of a lens without a film back.
inline constexpr std::string_view kMissingFilmBack =
    "the film back. Numbers in px and at distance 1 are whole without it; for mm\n"
    "give the sensor area that made the frame, --film-back WIDTHxHEIGHTmm.";
/// What the frames of a shot have in common, but for the plate.
std::vector<HandoffGroup> common_handoff_groups(const warp::Handoff& handoff,
                                                const HandoffNotes& notes);
/// Which lens it is, in one line without an end.
std::string handoff_title(const warp::Handoff& handoff, const HandoffNotes& notes);
/// Groups as several lines of 100 columns at most.
std::string groups_text(const std::vector<HandoffGroup>& groups);
/// Warnings, and what is missing; empty where there is neither.
std::string doubts_text(const warp::Handoff& handoff, const HandoffNotes& notes);
/// All of that.
std::string handoff_text(const warp::Handoff& handoff, const HandoffNotes& notes);

/// A hand-off and what is to be said with it.
struct NotedHandoff {
  warp::Handoff handoff;
  HandoffNotes notes;
};
/// That of the lenses asked for, with the overscan they need together.
Result<NotedHandoff> noted_handoff(const profile::Profile& profile, PlateRequest request);

/// `--handoff`, for commands that write a hand-off beside their output.
void add_handoff_option(CLI::App& app, std::string& option);

/// A hand-off on its way to two files. Its content depends on lens and options alone, so that jobs
/// of one sequence agree on it.
class HandoffFiles {
 public:
  /// `option` is the word of --handoff: empty for a name beside `output` (a file, folder or
  /// pattern), `none`, or the name of a .json file. The text goes beside it as .txt. Errors are
  /// those of a wrong command line.
  static Result<HandoffFiles> create(std::string_view option, std::string_view output);

  [[nodiscard]] bool wanted() const { return !json_path_.empty(); }
  [[nodiscard]] const std::filesystem::path& json_path() const { return json_path_; }

  void set_content(const warp::Handoff& handoff, const HandoffNotes& notes);
  void set_content(const nlohmann::json& json, std::string text);
  [[nodiscard]] bool has_content() const { return !json_.empty(); }

  /// The paths that are yet to be written: not those that hold this content already.
  [[nodiscard]] std::vector<std::string> outstanding() const;
  /// Writes them, each whole or not at all.
  Result<void> write(Overwrite overwrite) const;

 private:
  HandoffFiles() = default;

  std::filesystem::path json_path_;
  std::filesystem::path text_path_;
  std::string json_;
  std::string text_;
};

/// Says where the files are; nothing without content.
void report_handoff(const HandoffFiles& files, const CommonOptions& common);

}  // namespace trueplate::cli
