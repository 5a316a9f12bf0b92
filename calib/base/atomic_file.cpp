#include "calib/base/atomic_file.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstring>
#include <memory>
#include <system_error>
#include <utility>

#include "calib/base/temporary_file.h"

namespace trueplate {
namespace {

std::string system_message(int error_number) {
  return std::generic_category().message(error_number);
}

}  // namespace

Error output_exists_error(const std::filesystem::path& path) {
  return {ErrorCode::kExists,
          fmt::format("{}: exists already; choose another name or add --overwrite", path.string())};
}

Result<AtomicFile> AtomicFile::create(const std::filesystem::path& final_path,
                                      Overwrite overwrite) {
  if (final_path.empty() || final_path.filename().empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("'{}': not a file name to write to", final_path.string()));
  }
  std::error_code code;
  if (std::filesystem::is_directory(final_path, code)) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: is a folder, wanted a file name", final_path.string()));
  }
  if (std::filesystem::exists(final_path, code) &&
      !std::filesystem::is_regular_file(final_path, code)) {
    // A rename would replace the device or pipe itself.
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: is no regular file, wanted the name of one", final_path.string()));
  }
  if (overwrite == Overwrite::kAllow && std::filesystem::is_symlink(final_path, code)) {
    // Replace what the link points to, not the link.
    const std::filesystem::path target = std::filesystem::canonical(final_path, code);
    if (!code) return create(target, overwrite);
  }
  if (overwrite == Overwrite::kRefuse && std::filesystem::exists(final_path, code)) {
    return fail(output_exists_error(final_path));
  }
  const std::filesystem::path folder =
      final_path.has_parent_path() ? final_path.parent_path() : std::filesystem::path(".");
  if (!std::filesystem::is_directory(folder, code)) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: the folder {} does not exist; create it first",
                            final_path.string(),
                            folder.string()));
  }
  if (::access(folder.c_str(), W_OK) != 0) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: cannot write in {} ({})",
                            final_path.string(),
                            folder.string(),
                            system_message(errno)));
  }
  return AtomicFile(final_path, temporary_path_for(final_path), overwrite);
}

AtomicFile::AtomicFile(std::filesystem::path final_path,
                       std::filesystem::path temporary_path,
                       Overwrite overwrite)
    : final_path_(std::move(final_path)),
      temporary_path_(std::move(temporary_path)),
      overwrite_(overwrite) {}

AtomicFile::AtomicFile(AtomicFile&& other) noexcept
    : final_path_(std::move(other.final_path_)),
      temporary_path_(std::exchange(other.temporary_path_, {})),
      overwrite_(other.overwrite_) {}

AtomicFile& AtomicFile::operator=(AtomicFile&& other) noexcept {
  std::swap(final_path_, other.final_path_);
  std::swap(temporary_path_, other.temporary_path_);
  std::swap(overwrite_, other.overwrite_);
  return *this;
}

AtomicFile::~AtomicFile() {
  if (temporary_path_.empty()) return;
  std::error_code code;
  std::filesystem::remove(temporary_path_, code);
}

Result<void> AtomicFile::commit(Flush flush) {
  const int descriptor = ::open(temporary_path_.c_str(), O_RDONLY | O_CLOEXEC);
  if (descriptor < 0) {
    return fail(
        ErrorCode::kUnwritable,
        fmt::format("{}: could not be written ({})", final_path_.string(), system_message(errno)));
  }
  const int flushed = flush == Flush::kToDisk ? ::fsync(descriptor) : 0;
  const int flush_error = errno;
  ::close(descriptor);
  if (flushed != 0) {
    return fail(
        ErrorCode::kUnwritable,
        fmt::format(
            "{}: could not be written ({})", final_path_.string(), system_message(flush_error)));
  }
  if (overwrite_ == Overwrite::kRefuse) {
    // link() fails when the name exists, where rename() would replace it.
    if (::link(temporary_path_.c_str(), final_path_.c_str()) == 0) return {};
    if (errno == EEXIST) return fail(output_exists_error(final_path_));
    // Some file systems have no hard links; there the check and the rename are two steps.
    std::error_code code;
    if (std::filesystem::exists(final_path_, code)) return fail(output_exists_error(final_path_));
  }
  if (::rename(temporary_path_.c_str(), final_path_.c_str()) != 0) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: could not be renamed into place ({})",
                            final_path_.string(),
                            system_message(errno)));
  }
  temporary_path_.clear();
  return {};
}

Result<void> write_text_file(const std::filesystem::path& path,
                             std::string_view content,
                             Overwrite overwrite,
                             Flush flush) {
  Result<AtomicFile> file = AtomicFile::create(path, overwrite);
  if (!file) return fail(file.error());
  std::FILE* stream = std::fopen(file->temporary_path().c_str(), "wbe");
  if (stream == nullptr) {
    return fail(
        ErrorCode::kUnwritable,
        fmt::format("{}: cannot be opened for writing ({})", path.string(), system_message(errno)));
  }
  const bool written = std::fwrite(content.data(), 1, content.size(), stream) == content.size();
  const int write_error = errno;
  const bool closed = std::fclose(stream) == 0;
  if (!written || !closed) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: could not be written ({})",
                            path.string(),
                            system_message(written ? errno : write_error)));
  }
  return file->commit(flush);
}

Result<std::string> read_text_file(const std::filesystem::path& path, std::size_t max_bytes) {
  std::error_code code;
  if (!std::filesystem::exists(path, code)) {
    return fail(ErrorCode::kNotFound, fmt::format("{}: no such file", path.string()));
  }
  if (std::filesystem::is_directory(path, code)) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: is a folder, wanted a file", path.string()));
  }
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> stream(std::fopen(path.c_str(), "rbe"),
                                                               &std::fclose);
  if (!stream) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: cannot be opened ({})", path.string(), system_message(errno)));
  }
  std::string content;
  std::string block(std::size_t{1} << 16, '\0');
  while (const std::size_t count = std::fread(block.data(), 1, block.size(), stream.get())) {
    content.append(block, 0, count);
    if (content.size() > max_bytes) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: larger than {} bytes, which no file of this kind should be",
                              path.string(),
                              max_bytes));
    }
  }
  if (std::ferror(stream.get()) != 0) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: reading failed ({})", path.string(), system_message(errno)));
  }
  return content;
}

}  // namespace trueplate
