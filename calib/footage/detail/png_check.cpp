#include "calib/footage/detail/png_check.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <memory>
#include <string_view>
#include <vector>

#include "calib/footage/detail/readers.h"

namespace trueplate::footage::detail {
namespace {

/// CRC-32 of ISO/IEC 15948, annex D, eight bytes at a time: table[k] advances by k + 1 bytes.
class Crc {
 public:
  void add(const unsigned char* bytes, std::size_t count) {
    const auto& table = tables();
    for (; count >= 8; count -= 8, bytes += 8) {
      std::uint32_t low = 0;
      std::memcpy(&low, bytes, 4);
      if constexpr (std::endian::native == std::endian::big) low = __builtin_bswap32(low);
      low ^= state_;
      state_ = table[7][low & 255] ^ table[6][low >> 8 & 255] ^ table[5][low >> 16 & 255] ^
               table[4][low >> 24] ^ table[3][bytes[4]] ^ table[2][bytes[5]] ^ table[1][bytes[6]] ^
               table[0][bytes[7]];
    }
    for (; count > 0; --count, ++bytes) state_ = step(state_, *bytes);
  }
  [[nodiscard]] std::uint32_t value() const { return ~state_; }

 private:
  using Tables = std::array<std::array<std::uint32_t, 256>, 8>;

  static const Tables& tables() {
    static const Tables kTables = [] {
      Tables made{};
      for (std::uint32_t i = 0; i < 256; ++i) {
        std::uint32_t value = i;
        for (int bit = 0; bit < 8; ++bit) value = value >> 1 ^ ((value & 1) != 0 ? 0xEDB88320U : 0);
        made[0][i] = value;
      }
      for (std::size_t k = 1; k < 8; ++k) {
        for (std::size_t i = 0; i < 256; ++i) {
          made[k][i] = made[k - 1][i] >> 8 ^ made[0][made[k - 1][i] & 255];
        }
      }
      return made;
    }();
    return kTables;
  }
  static std::uint32_t step(std::uint32_t state, unsigned char byte) {
    return state >> 8 ^ tables()[0][(state ^ byte) & 255];
  }

  std::uint32_t state_ = 0xFFFFFFFFU;
};

std::uint32_t big_endian(const unsigned char* bytes) {
  return static_cast<std::uint32_t>(bytes[0]) << 24 | static_cast<std::uint32_t>(bytes[1]) << 16 |
         static_cast<std::uint32_t>(bytes[2]) << 8 | bytes[3];
}

}  // namespace

Result<void> check_png_chunks(const std::filesystem::path& path) {
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> stream(std::fopen(path.c_str(), "rbe"),
                                                               &std::fclose);
  const auto read = [&](unsigned char* to, std::size_t count) {
    return stream && std::fread(to, 1, count, stream.get()) == count;
  };
  std::array<unsigned char, 8> head{};
  if (!read(head.data(), head.size())) return damaged(path, "it ends within the signature");
  std::vector<unsigned char> block(std::size_t{1} << 18);
  for (bool is_first = true;; is_first = false) {
    if (!read(head.data(), head.size())) return damaged(path, "it ends before its IEND chunk");
    const std::string_view type(reinterpret_cast<const char*>(head.data()) + 4, 4);
    if (is_first && type != "IHDR") return damaged(path, "its first chunk is not IHDR");
    Crc crc;
    crc.add(head.data() + 4, 4);
    for (std::size_t left = big_endian(head.data()); left > 0;) {
      const std::size_t count = std::min(left, block.size());
      if (!read(block.data(), count)) return damaged(path, "it ends within a chunk");
      crc.add(block.data(), count);
      left -= count;
    }
    std::array<unsigned char, 4> stored{};
    if (!read(stored.data(), stored.size())) return damaged(path, "it ends within a chunk");
    if (big_endian(stored.data()) != crc.value()) {
      return damaged(path, "a chunk does not match its check sum");
    }
    if (type == "IEND") return {};
  }
}

}  // namespace trueplate::footage::detail
