#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate {

/// What to do when the final name is taken already.
enum class Overwrite { kRefuse, kAllow };

/// Whether commit() waits until the content is on disk. Without it a power cut just after the
/// rename may leave an empty file; right for a profile, too slow for each of a thousand frames that
/// can be made again.
enum class Flush { kToDisk, kLeaveToSystem };

/// An output that appears whole or not at all. Write to temporary_path(), then call commit(), which
/// renames to the final name. Without commit() the destructor removes the temporary file, so a
/// failure or an exception leaves nothing behind. The temporary name (temporary_path_for) names the
/// process, so two do not collide, and what one leaves that was killed can be told from files that
/// are being written: remove_leftovers(). With Overwrite::kRefuse the final rename never replaces a
/// file, even one that appeared meanwhile.
class AtomicFile {
 public:
  static Result<AtomicFile> create(const std::filesystem::path& final_path, Overwrite overwrite);

  AtomicFile(AtomicFile&& other) noexcept;
  AtomicFile& operator=(AtomicFile&& other) noexcept;
  AtomicFile(const AtomicFile&) = delete;
  AtomicFile& operator=(const AtomicFile&) = delete;
  ~AtomicFile();

  [[nodiscard]] const std::filesystem::path& temporary_path() const { return temporary_path_; }
  Result<void> commit(Flush flush = Flush::kToDisk);

 private:
  AtomicFile(std::filesystem::path final_path,
             std::filesystem::path temporary_path,
             Overwrite overwrite);

  std::filesystem::path final_path_;
  std::filesystem::path temporary_path_;
  Overwrite overwrite_ = Overwrite::kRefuse;
};

/// Writes `content` as the whole of `path`, atomically.
Result<void> write_text_file(const std::filesystem::path& path,
                             std::string_view content,
                             Overwrite overwrite,
                             Flush flush = Flush::kToDisk);

/// The whole of a file. Errors name the path; a file above `max_bytes` is refused.
Result<std::string> read_text_file(const std::filesystem::path& path,
                                   std::size_t max_bytes = std::size_t{1} << 30);

/// The error for an output that exists already, worded for the command line.
[[nodiscard]] Error output_exists_error(const std::filesystem::path& path);

}  // namespace trueplate
