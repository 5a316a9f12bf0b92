#include "warp/io/detail/checked_file.h"

#include <fmt/format.h>

#include <algorithm>
#include <cerrno>
#include <system_error>

namespace trueplate::warp::detail {

CheckedFile::CheckedFile(const std::filesystem::path& path)
    : stream_(std::fopen(path.c_str(), "w+be"), &std::fclose) {
  if (!stream_) note_failure();
}

bool CheckedFile::note_failure() {
  if (error_number_ == 0) error_number_ = errno != 0 ? errno : EIO;
  return false;
}

bool CheckedFile::switch_to(Mode mode) {
  // C streams want a positioning call between reading and writing.
  if (mode_ != mode && mode_ != Mode::kNeutral &&
      ::fseeko(stream_.get(), static_cast<off_t>(position_), SEEK_SET) != 0) {
    return note_failure();
  }
  mode_ = mode;
  return true;
}

bool CheckedFile::write(const void* bytes, std::size_t count) {
  if (failed()) return false;
  errno = 0;
  if (!switch_to(Mode::kWriting)) return false;
  if (std::fwrite(bytes, 1, count, stream_.get()) != count) return note_failure();
  position_ += count;
  size_ = std::max(size_, position_);
  return true;
}

bool CheckedFile::seek(std::uint64_t position) {
  if (failed()) return false;
  if (position == position_) return true;
  errno = 0;
  if (::fseeko(stream_.get(), static_cast<off_t>(position), SEEK_SET) != 0) return note_failure();
  position_ = position;
  mode_ = Mode::kNeutral;
  return true;
}

std::size_t CheckedFile::read(void* bytes, std::size_t count) {
  errno = 0;
  if (failed() || !switch_to(Mode::kReading)) return 0;
  const std::size_t got = std::fread(bytes, 1, count, stream_.get());
  if (std::ferror(stream_.get()) != 0) note_failure();
  position_ += got;
  return got;
}

Result<void> CheckedFile::close(const std::filesystem::path& shown_path) {
  errno = 0;
  if (stream_ && std::fclose(stream_.release()) != 0) note_failure();
  if (!failed()) return {};
  return fail(ErrorCode::kUnwritable,
              fmt::format("{}: could not be written ({})",
                          shown_path.string(),
                          std::generic_category().message(error_number_)));
}

}  // namespace trueplate::warp::detail
