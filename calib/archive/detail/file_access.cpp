#include "calib/archive/detail/file_access.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <array>
#include <fstream>
#include <string_view>
#include <system_error>

namespace trueplate::archive::detail {
namespace {

namespace fs = std::filesystem;

Result<void> check_file(const fs::path& path, FileAbsent absent) {
  std::error_code code;
  const fs::file_status status = fs::status(path, code);
  if (!fs::exists(status)) {
    if (absent == FileAbsent::kRefuse) {
      return fail(ErrorCode::kNotFound,
                  fmt::format("{}: no such archive; `archive add` begins one", path.string()));
    }
    const fs::path folder = path.has_parent_path() ? path.parent_path() : fs::path(".");
    if (!fs::is_directory(folder, code)) {
      return fail(ErrorCode::kNotFound,
                  fmt::format("{}: no such folder for an archive", folder.string()));
    }
    return {};
  }
  if (!fs::is_regular_file(status)) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: not a file", path.string()));
  }
  constexpr std::string_view kMagic("SQLite format 3\0", 16);
  std::array<char, kMagic.size()> start{};
  std::ifstream file(path, std::ios::binary);
  file.read(start.data(), start.size());
  if (!file.is_open() || file.bad()) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: cannot be read; ask its owner for permission", path.string()));
  }
  // An empty file is what a writer leaves that was killed while it began an archive.
  const auto count = static_cast<std::size_t>(file.gcount());
  if (count == 0 || std::string_view(start.data(), count) == kMagic) return {};
  return fail(ErrorCode::kUnreadable,
              fmt::format("{}: is no archive (its first bytes are those of no SQLite database)",
                          path.string()));
}

bool may_write(const fs::path& path) {
  return faccessat(AT_FDCWD, path.c_str(), W_OK, AT_EACCESS) == 0;
}

bool is_there(const fs::path& path) {
  std::error_code code;
  return fs::exists(path, code);
}

/// The archive's file and the two that stand beside it while it is written to, where the database
/// looks for them: beside what a link points to.
struct Files {
  fs::path archive;
  fs::path log;
  fs::path index;
};

Files files_of(const std::string& path) {
  std::error_code code;
  const fs::path full = fs::absolute(path, code);  // of a file that is not there yet, too
  fs::path real = fs::weakly_canonical(full, code);
  if (code) real = full;
  return {real, real.string() + "-wal", real.string() + "-shm"};
}

/// Why this process may not write to an archive, and what helps; empty: it may.
std::string why_unwritable(const Files& files) {
  if (is_there(files.archive) && !may_write(files.archive)) {
    return fmt::format("{}: you may read it, but not write to it; ask its owner for permission",
                       files.archive.string());
  }
  bool missing = !is_there(files.archive);
  for (const fs::path& beside : {files.log, files.index}) {
    if (!is_there(beside)) {
      missing = true;
    } else if (!may_write(beside)) {
      return fmt::format(
          "{0}: belongs to another user and you may not write to it, so nothing can "
          "be filed; when nobody uses the archive, let its owner or the "
          "administrator run `chown --reference='{1}' '{0}'`, never remove it",
          beside.string(),
          files.archive.string());
    }
  }
  const fs::path folder = files.archive.parent_path();
  if (!missing || may_write(folder)) return {};
  return fmt::format(
      "{}: you may not write to this folder, and who files needs to make two files "
      "beside the archive; ask its owner for permission",
      folder.string());
}

/// A path as an SQLite URI (https://www.sqlite.org/uri.html) that only reads.
std::string reading_uri(const fs::path& path, std::string_view how) {
  std::string text = "file:";
  for (const char c : path.string()) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       c == '/' || c == '.' || c == '-' || c == '_';
    if (plain) {
      text += c;
    } else {
      text += fmt::format("%{:02x}", static_cast<unsigned>(static_cast<unsigned char>(c)));
    }
  }
  return fmt::format("{}?mode=ro&{}", text, how);
}

}  // namespace

std::optional<FileStamp> stamp_of(const std::string& path) {
  std::error_code time_code;
  std::error_code size_code;
  const FileStamp stamp{fs::last_write_time(path, time_code), fs::file_size(path, size_code)};
  if (time_code || size_code) return std::nullopt;
  return stamp;
}

Result<FileAccess> access_to(const std::string& path, FileAbsent absent) {
  if (Result<void> good = check_file(path, absent); !good) return fail(good.error());
  const Files files = files_of(path);
  FileAccess access{.location = path, .unwritable = why_unwritable(files)};
  if (access.unwritable.empty()) return access;
  if (absent == FileAbsent::kCreate) return fail(ErrorCode::kUnwritable, access.unwritable);
  if (is_there(files.log) && is_there(files.index)) {
    access.location = reading_uri(files.archive, "readonly_shm=1");
    return access;
  }
  std::error_code code;
  const std::uintmax_t waiting = fs::file_size(files.log, code);
  if (!code && waiting > 0) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: a writer that was killed left changes in {}; somebody who may "
                            "write to the archive has to open it once (`archive verify`)",
                            path,
                            files.log.string()));
  }
  access.location = reading_uri(files.archive, "immutable=1");
  access.still = stamp_of(files.archive.string());
  return access;
}

}  // namespace trueplate::archive::detail
