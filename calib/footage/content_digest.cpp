#include "calib/footage/content_digest.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>
#include <xxhash.h>

#include <algorithm>
#include <cerrno>
#include <new>
#include <system_error>
#include <vector>

namespace trueplate::footage {
namespace {

std::string system_message(int error_number) {
  return std::generic_category().message(error_number);
}

/// A descriptor that closes itself.
class ReadOnlyFile {
 public:
  explicit ReadOnlyFile(const std::filesystem::path& path)
      // Not blocking: a pipe in place of a picture must not stop the program.
      : descriptor_(::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK)) {}
  ~ReadOnlyFile() {
    if (descriptor_ >= 0) ::close(descriptor_);
  }
  ReadOnlyFile(const ReadOnlyFile&) = delete;
  ReadOnlyFile& operator=(const ReadOnlyFile&) = delete;

  [[nodiscard]] int get() const { return descriptor_; }

 private:
  int descriptor_;
};

/// Sets to '0' what of `block`, which begins at byte `begin` of the file, is blanked.
void blank(std::string& block,
           std::uint64_t begin,
           std::size_t count,
           const BlankedBytes& blanked) {
  const std::uint64_t first = std::max(begin, blanked.begin);
  const std::uint64_t last = std::min(begin + count, blanked.begin + blanked.count);
  for (std::uint64_t i = first; i < last; ++i) block[static_cast<std::size_t>(i - begin)] = '0';
}

std::int64_t nanoseconds(const timespec& time) {
  return std::int64_t{time.tv_sec} * 1'000'000'000 + time.tv_nsec;
}

}  // namespace

struct ContentDigest::State {
  std::unique_ptr<XXH3_state_t, XXH_errorcode (*)(XXH3_state_t*)> hash{XXH3_createState(),
                                                                       &XXH3_freeState};
};

ContentDigest::ContentDigest() : state_(std::make_unique<State>()) {
  if (!state_->hash) throw std::bad_alloc();
  XXH3_128bits_reset(state_->hash.get());
}
ContentDigest::~ContentDigest() = default;

void ContentDigest::add(std::string_view bytes) {
  if (!bytes.empty()) XXH3_128bits_update(state_->hash.get(), bytes.data(), bytes.size());
}

std::string ContentDigest::text() const {
  const XXH128_hash_t hash = XXH3_128bits_digest(state_->hash.get());
  return fmt::format("{:016x}{:016x}", hash.high64, hash.low64);
}

std::string digest_of_text(std::string_view text) {
  ContentDigest digest;
  digest.add(text);
  return digest.text();
}

Result<void> add_file(ContentDigest& digest,
                      const std::filesystem::path& path,
                      const BlankedBytes& blanked) {
  const ReadOnlyFile file(path);
  if (file.get() < 0) {
    const ErrorCode code = errno == ENOENT ? ErrorCode::kNotFound : ErrorCode::kUnreadable;
    return fail(code,
                fmt::format("{}: cannot be opened ({})", path.string(), system_message(errno)));
  }
  struct stat status = {};
  if (::fstat(file.get(), &status) != 0 || !S_ISREG(status.st_mode)) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: not a file", path.string()));
  }
  std::string block(std::size_t{1} << 18, '\0');  // fits the second-level cache
  std::uint64_t begin = 0;
  for (;;) {
    const ssize_t got = ::read(file.get(), block.data(), block.size());
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: reading failed ({})", path.string(), system_message(errno)));
    }
    if (got == 0) return {};
    const auto count = static_cast<std::size_t>(got);
    blank(block, begin, count, blanked);
    digest.add(std::string_view(block).substr(0, count));
    begin += count;
  }
}

Result<std::string> digest_of_file(const std::filesystem::path& path, const BlankedBytes& blanked) {
  ContentDigest digest;
  if (Result<void> added = add_file(digest, path, blanked); !added) return fail(added.error());
  return digest.text();
}

std::optional<FileState> file_state(const std::filesystem::path& path) {
  struct stat status = {};
  if (::stat(path.c_str(), &status) != 0) return std::nullopt;
  return FileState{.device = status.st_dev,
                   .node = status.st_ino,
                   .size = static_cast<std::uint64_t>(status.st_size),
                   .modified_ns = nanoseconds(status.st_mtim),
                   .changed_ns = nanoseconds(status.st_ctim)};
}

}  // namespace trueplate::footage
