#include "calib/footage/detail/exr_input.h"

#include <OpenEXR/Iex.h>
#include <fcntl.h>
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <limits>
#include <string_view>
#include <system_error>

namespace trueplate::footage::detail {
namespace {

/// Read at a time where the file is read in its order; fits the second-level cache.
constexpr std::size_t kBlock = std::size_t{1} << 17;
/// Where it is not, what lies beside is not likely to be wanted.
constexpr std::size_t kSmallBlock = std::size_t{1} << 13;

}  // namespace

ExrInput::ExrInput(const std::filesystem::path& path, ContentDigest* digest)
    : Imf::IStream(path.c_str()),
      descriptor_(::open(path.c_str(), O_RDONLY | O_CLOEXEC)),
      digest_(digest),
      held_(kBlock, '\0') {
  if (descriptor_ < 0) {
    throw Iex::IoExc(fmt::format("cannot be opened: {}", std::generic_category().message(errno)));
  }
}

ExrInput::~ExrInput() { ::close(descriptor_); }

std::size_t ExrInput::read_at(std::uint64_t position, char* bytes, std::size_t count) {
  std::size_t done = 0;
  while (done < count) {
    // A damaged table of offsets may point anywhere.
    if (position + done > static_cast<std::uint64_t>(std::numeric_limits<off_t>::max())) break;
    const ssize_t got =
        ::pread(descriptor_, bytes + done, count - done, static_cast<off_t>(position + done));
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) {
      throw Iex::IoExc(fmt::format("reading failed: {}", std::generic_category().message(errno)));
    }
    if (got == 0) break;
    done += static_cast<std::size_t>(got);
  }
  return done;
}

void ExrInput::note(std::uint64_t begin, const char* bytes, std::size_t count) {
  if (digest_ == nullptr || begin + count <= digested_) return;
  if (begin > digested_) digest_up_to(begin);
  if (begin > digested_) return;  // beyond the end of the file
  const auto known = static_cast<std::size_t>(digested_ - begin);
  digest_->add(std::string_view(bytes + known, count - known));
  digested_ = begin + count;
}

void ExrInput::digest_up_to(std::uint64_t end) {
  std::string block(kBlock, '\0');
  while (digested_ < end) {
    const auto wanted = static_cast<std::size_t>(std::min<std::uint64_t>(kBlock, end - digested_));
    const std::size_t got = read_at(digested_, block.data(), wanted);
    digest_->add(std::string_view(block).substr(0, got));
    digested_ += got;
    if (got < wanted) return;
  }
}

void ExrInput::finish_digest() {
  if (digest_ != nullptr) digest_up_to(std::numeric_limits<std::uint64_t>::max());
}

void ExrInput::fill() {
  const bool goes_on = position_ == held_begin_ + held_count_;
  held_begin_ = position_;
  held_count_ = 0;  // should reading fail
  held_count_ = read_at(position_, held_.data(), goes_on ? kBlock : kSmallBlock);
  note(held_begin_, held_.data(), held_count_);
}

bool ExrInput::read(char* bytes, int count) {
  auto left = static_cast<std::size_t>(std::max(count, 0));
  while (left > 0) {
    std::size_t got = 0;
    if (!holds(position_) && left >= kBlock) {
      got = read_at(position_, bytes, left);
      note(position_, bytes, got);
    } else {
      if (!holds(position_)) fill();
      const auto begin = static_cast<std::size_t>(position_ - held_begin_);
      got = std::min(left, held_count_ - std::min(held_count_, begin));
      std::memcpy(bytes, held_.data() + begin, got);
    }
    if (got == 0) {
      throw Iex::InputExc(fmt::format(
          "the file ends at byte {}, {} bytes of {} are missing", position_, left, count));
    }
    bytes += got;
    left -= got;
    position_ += got;
  }
  return true;
}

}  // namespace trueplate::footage::detail
