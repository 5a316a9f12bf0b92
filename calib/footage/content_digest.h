#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::footage {

/// Length of a digest as text.
inline constexpr std::size_t kDigestLength = 32;

/// XXH3 with 128 bits (xxHash specification 0.2.0) of bytes that come in pieces: tells contents
/// apart at the speed of memory, for every frame of a sequence. Not against people who forge
/// contents; sha256_of_file() is for that.
class ContentDigest {
 public:
  ContentDigest();
  ~ContentDigest();
  ContentDigest(const ContentDigest&) = delete;
  ContentDigest& operator=(const ContentDigest&) = delete;

  void add(std::string_view bytes);
  /// Of all bytes so far, as kDigestLength lower-case hexadecimal digits, the same as `xxhsum
  /// -H128` prints.
  [[nodiscard]] std::string text() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

[[nodiscard]] std::string digest_of_text(std::string_view text);

/// Bytes of a file that count as the digit 0, because they hold the digest itself.
struct BlankedBytes {
  std::uint64_t begin = 0;
  std::uint64_t count = 0;
};

/// Adds a file's content. kNotFound or kUnreadable with the path.
Result<void> add_file(ContentDigest& digest,
                      const std::filesystem::path& path,
                      const BlankedBytes& blanked = {});
/// The digest of a file's content. Errors: those of add_file().
Result<std::string> digest_of_file(const std::filesystem::path& path,
                                   const BlankedBytes& blanked = {});

/// What the file system says of a file. Equal before and after: nobody has written to it or put
/// another in its place meanwhile.
struct FileState {
  std::uint64_t device = 0;
  std::uint64_t node = 0;
  std::uint64_t size = 0;
  std::int64_t modified_ns = 0;
  std::int64_t changed_ns = 0;  // which, other than the above, no program can set

  friend bool operator==(const FileState&, const FileState&) = default;
};
/// nullopt when there is no such file.
[[nodiscard]] std::optional<FileState> file_state(const std::filesystem::path& path);

}  // namespace trueplate::footage
