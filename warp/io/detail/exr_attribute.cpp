#include "warp/io/detail/exr_attribute.h"

#include <array>
#include <cstdio>
#include <memory>

namespace trueplate::warp::detail {
namespace {

using Stream = std::unique_ptr<std::FILE, int (*)(std::FILE*)>;

constexpr std::uint32_t kMagic = 20000630;
constexpr std::size_t kLongestName = 255;
/// Nobody's header is longer; of what is no EXR file no more is looked at.
constexpr std::uint64_t kLongestHeader = std::uint64_t{64} << 20;

std::optional<std::uint32_t> read_number(std::FILE* stream) {
  std::array<unsigned char, 4> bytes{};
  if (std::fread(bytes.data(), 1, bytes.size(), stream) != bytes.size()) return std::nullopt;
  std::uint32_t number = 0;
  for (std::size_t i = bytes.size(); i-- > 0;) number = number << 8 | bytes[i];
  return number;
}

/// Up to the byte 0, which is not part of it.
std::optional<std::string> read_name(std::FILE* stream) {
  std::string name;
  for (int c = std::fgetc(stream); c != 0; c = std::fgetc(stream)) {
    if (c == EOF || name.size() == kLongestName) return std::nullopt;
    name += static_cast<char>(c);
  }
  return name;
}

}  // namespace

std::optional<LocatedText> find_text_attribute(const std::filesystem::path& path,
                                               std::string_view wanted,
                                               std::uint32_t max_size) {
  std::error_code code;
  // Opening a pipe would wait for its other end.
  if (!std::filesystem::is_regular_file(path, code)) return std::nullopt;
  const Stream stream(std::fopen(path.c_str(), "rbe"), &std::fclose);
  if (!stream || read_number(stream.get()) != kMagic || !read_number(stream.get())) {
    return std::nullopt;
  }
  std::uint64_t position = 8;
  while (position < kLongestHeader) {
    const std::optional<std::string> name = read_name(stream.get());
    if (!name || name->empty()) return std::nullopt;
    const std::optional<std::string> type = read_name(stream.get());
    const std::optional<std::uint32_t> size = type ? read_number(stream.get()) : std::nullopt;
    if (!size) return std::nullopt;
    position += name->size() + type->size() + 2 + sizeof(std::uint32_t);
    if (*name == wanted) {
      LocatedText found{.begin = position, .text = {}};
      if (*type != "string" || *size > max_size) return std::nullopt;
      found.text.resize(*size);
      if (std::fread(found.text.data(), 1, *size, stream.get()) != *size) return std::nullopt;
      return found;
    }
    position += *size;
    if (::fseeko(stream.get(), static_cast<off_t>(position), SEEK_SET) != 0) return std::nullopt;
  }
  return std::nullopt;
}

}  // namespace trueplate::warp::detail
