#include "calib/footage/detail/dpx_header.h"

#include <fmt/format.h>

#include <array>
#include <cstdio>
#include <memory>
#include <system_error>

#include "calib/footage/detail/readers.h"

namespace trueplate::footage::detail {
namespace {

using Stream = std::unique_ptr<std::FILE, int (*)(std::FILE*)>;

// The file header, then at 768 the image header with its first element at 780.
constexpr std::size_t kHeaderSize = 820;
constexpr std::size_t kDataPlace = 4;
constexpr std::size_t kUserSize = 32;
constexpr std::size_t kDescriptor = 800;
constexpr std::size_t kBits = 803;
constexpr std::size_t kPacking = 804;
constexpr std::size_t kEncoding = 806;
constexpr std::size_t kElementPlace = 808;
constexpr std::size_t kRowPadding = 812;
constexpr std::uint32_t kUndefined = 0xFFFFFFFFU;
constexpr std::uint32_t kMaxUserSize = 1U << 20;  // the standard's own limit

std::uint32_t number(const unsigned char* bytes, int size, bool big_endian) {
  std::uint32_t value = 0;
  for (int i = 0; i < size; ++i) value = value << 8 | bytes[big_endian ? i : size - 1 - i];
  return value;
}

/// Bytes of one row without its padding.
std::int64_t row_bytes(const DpxLayout& layout, std::int64_t num_samples) {
  const bool is_filled = layout.packing == 1 || layout.packing == 2;
  if (layout.bits == 10 && is_filled) return (num_samples + 2) / 3 * 4;
  if (layout.bits == 12 && is_filled) return num_samples * 2;
  // Packed samples run across words, but each row begins with a new one.
  if (layout.bits == 10 || layout.bits == 12) return (num_samples * layout.bits + 31) / 32 * 4;
  return (num_samples * layout.bits + 7) / 8;
}

}  // namespace

Result<DpxLayout> read_dpx_layout(const std::filesystem::path& path) {
  const Stream stream(std::fopen(path.c_str(), "rbe"), &std::fclose);
  std::array<unsigned char, kHeaderSize> header{};
  if (!stream || std::fread(header.data(), 1, header.size(), stream.get()) != header.size()) {
    return damaged(path, "it ends within the header");
  }
  DpxLayout layout;
  layout.big_endian = header[0] == 'S';
  const auto field = [&](std::size_t place, int size) {
    return number(header.data() + place, size, layout.big_endian);
  };
  // OpenImageIO ends the program at sizes beyond 2^31.
  if (const std::uint32_t size = field(kUserSize, 4); size != kUndefined && size > kMaxUserSize) {
    return damaged(path, fmt::format("{} bytes of user data", size));
  }
  layout.descriptor = header[kDescriptor];
  layout.bits = header[kBits];
  layout.packing = static_cast<int>(field(kPacking, 2));
  layout.is_run_length_encoded = field(kEncoding, 2) == 1;
  const std::uint32_t place = field(kElementPlace, 4);
  const std::uint32_t padding = field(kRowPadding, 4);
  layout.begin = place != kUndefined && place != 0 ? place : field(kDataPlace, 4);
  layout.row_padding = padding != kUndefined ? padding : 0;
  if (layout.is_run_length_encoded) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: a run-length encoded DPX; write it plain", path.string()));
  }
  if (layout.descriptor >= 100 && layout.descriptor <= 103) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: a DPX of luma and colour differences; convert it to RGB", path.string()));
  }
  return layout;
}

Result<void> check_dpx_length(const std::filesystem::path& path,
                              const DpxLayout& layout,
                              ImageSize size,
                              int num_channels) {
  std::error_code code;
  const auto length = static_cast<std::int64_t>(std::filesystem::file_size(path, code));
  const std::int64_t row = row_bytes(layout, std::int64_t{size.width} * num_channels);
  const std::int64_t end =
      layout.begin + size.height * row + (size.height - 1) * layout.row_padding;
  if (code || length < end) {
    return damaged(path, fmt::format("{} bytes, its header promises {}", length, end));
  }
  return {};
}

bool repair_dpx_row_ends(const std::filesystem::path& path,
                         const DpxLayout& layout,
                         ImageView<float> pixels) {
  const std::int64_t num_samples = std::int64_t{pixels.width} * pixels.channels;
  const bool is_filled = layout.packing == 1 || layout.packing == 2;
  if (layout.bits != 10 || !is_filled || pixels.channels != 4 || num_samples % 3 != 1) return true;
  const Stream stream(std::fopen(path.c_str(), "rbe"), &std::fclose);
  const std::int64_t row_size = row_bytes(layout, num_samples) + layout.row_padding;
  const int shift = layout.packing == 1 ? 22 : 20;
  for (int y = 0; y < pixels.height; ++y) {
    const std::int64_t last_word = layout.begin + y * row_size + num_samples / 3 * 4;
    std::array<unsigned char, 4> word{};
    if (!stream || ::fseeko(stream.get(), last_word, SEEK_SET) != 0 ||
        std::fread(word.data(), 1, word.size(), stream.get()) != word.size()) {
      return false;
    }
    const std::uint32_t sample = number(word.data(), 4, layout.big_endian) >> shift & 1023U;
    pixels.row(y)[num_samples - 1] = static_cast<float>(sample) / 1023.0F;
  }
  return true;
}

}  // namespace trueplate::footage::detail
