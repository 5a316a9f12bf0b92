#include "warp/io/detail/dpx_header_patch.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <numeric>
#include <string>

namespace trueplate::warp::detail {

void patch_dpx_aspect(CheckedFile& file, double pixel_aspect) {
  constexpr std::uint64_t kPlace = 1628;
  constexpr std::uint32_t kDenominator = 10000;
  const auto numerator = static_cast<std::uint32_t>(std::lround(pixel_aspect * kDenominator));
  const std::uint32_t divisor = std::max(1U, std::gcd(numerator, kDenominator));
  std::array<char, 4> magic{};
  file.seek(0);
  if (file.read(magic.data(), magic.size()) != magic.size()) return;
  const bool big_endian = magic[0] == 'S';
  std::array<unsigned char, 8> bytes{};
  for (int word = 0; word < 2; ++word) {
    const std::uint32_t value = (word == 0 ? numerator : kDenominator) / divisor;
    for (int i = 0; i < 4; ++i) {
      const int shift = 8 * (big_endian ? 3 - i : i);
      bytes[static_cast<std::size_t>(4 * word + i)] =
          static_cast<unsigned char>((value >> shift) & 0xFFU);
    }
  }
  file.seek(kPlace);
  file.write(bytes.data(), bytes.size());
}

void patch_dpx_origin(CheckedFile& file, const std::filesystem::path& shown_path, bool has_date) {
  constexpr std::uint64_t kNamePlace = 36;
  constexpr std::size_t kNameSize = 100;
  constexpr std::size_t kDateSize = 24;
  std::string bytes = shown_path.filename().string().substr(0, kNameSize - 1);
  bytes.resize(kNameSize + (has_date ? 0 : kDateSize), '\0');
  file.seek(kNamePlace);
  file.write(bytes.data(), bytes.size());
}

}  // namespace trueplate::warp::detail
