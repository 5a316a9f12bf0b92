#pragma once

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <string>

#include "calib/base/result.h"

namespace trueplate::warp::detail {

/// A file for writing that remembers the first thing that went wrong. Image libraries write their
/// last bytes in destructors that swallow errors, so the full disk shows only here: close() must
/// say success before a file is renamed into place.
class CheckedFile {
 public:
  /// Creates or truncates; failure shows in close().
  explicit CheckedFile(const std::filesystem::path& path);

  bool write(const void* bytes, std::size_t count);
  /// Bytes read back from the current position on: some writers look at what they wrote.
  std::size_t read(void* bytes, std::size_t count);
  bool seek(std::uint64_t position);
  [[nodiscard]] std::uint64_t position() const { return position_; }
  [[nodiscard]] std::uint64_t size() const { return size_; }

  [[nodiscard]] bool failed() const { return error_number_ != 0; }
  /// Flushes and closes. kUnwritable, naming `shown_path`, when anything has failed since opening.
  Result<void> close(const std::filesystem::path& shown_path);

 private:
  enum class Mode { kNeutral, kReading, kWriting };

  bool note_failure();
  bool switch_to(Mode mode);

  std::unique_ptr<std::FILE, int (*)(std::FILE*)> stream_;
  std::uint64_t position_ = 0;
  std::uint64_t size_ = 0;
  Mode mode_ = Mode::kNeutral;
  int error_number_ = 0;
};

}  // namespace trueplate::warp::detail
