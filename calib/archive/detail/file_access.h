#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "calib/base/result.h"

namespace trueplate::archive::detail {

/// Whether a file that does not exist is made.
enum class FileAbsent { kRefuse, kCreate };

/// When a file was last written to, and its size: to see that nobody wrote to it.
struct FileStamp {
  std::filesystem::file_time_type written;
  std::uintmax_t size = 0;

  friend bool operator==(const FileStamp&, const FileStamp&) = default;
};
[[nodiscard]] std::optional<FileStamp> stamp_of(const std::string& path);

/// How this process may use the file of an archive.
struct FileAccess {
  std::string location;    // for the client library: a path, or an SQLite URI that only reads
  std::string unwritable;  // why it may not be written to, and what helps; empty: it may
  /// Set when it is read without locks, as nobody writes to it: as it is now.
  std::optional<FileStamp> still = std::nullopt;
};

/// Looks at an archive's file, its folder and the log beside it, and opens nothing. Who may not
/// write reads what is there and leaves nothing behind: a log made by a reader would keep the owner
/// out. Errors: kNotFound, kUnreadable (no SQLite file; the changes of a killed writer wait to be
/// taken in), kUnwritable (with kCreate).
Result<FileAccess> access_to(const std::string& path, FileAbsent absent);

}  // namespace trueplate::archive::detail
