// Rows of pixels between channel by channel and interleaved. The reference is Imath's own half.

#include "calib/footage/detail/sample_rows.h"

#include <Imath/half.h>
#include <doctest/doctest.h>

#include <bit>
#include <cmath>
#include <cstdint>
#include <limits>
#include <vector>

#include "tests/support/instruction_sets.h"

using namespace trueplate::footage::detail;
using trueplate::tests::on_every_target;

namespace {

std::uint32_t bits_of(float value) { return std::bit_cast<std::uint32_t>(value); }

half half_of(std::uint16_t bits) {
  half value;
  value.setBits(bits);
  return value;
}

/// What a sample becomes in a file of halves, by Imath and the rule for what is too large.
std::uint16_t half_bits(float value) {
  if (std::isfinite(value) && half(value).isInfinity()) {
    return half(std::copysign(65504.0F, value)).bits();
  }
  return half(value).bits();
}

/// Floats of every sign and exponent: both ends of each half's rounding interval and their
/// neighbours, subnormal floats, infinities and NaN with and without payloads that a half keeps.
std::vector<float> floats_to_round() {
  std::vector<float> values;
  for (std::uint32_t upper = 0; upper <= 0xFFFFU; ++upper) {
    for (const std::uint32_t lower :
         {0x0000U, 0x0001U, 0x0FFFU, 0x1000U, 0x1001U, 0x3000U, 0xFFFFU}) {
      values.push_back(std::bit_cast<float>(upper << 16 | lower));
    }
  }
  return values;
}

}  // namespace

TEST_CASE("all 65536 halves become the floats Imath makes of them, on every instruction set") {
  on_every_target([](const std::string& target) {
    CAPTURE(target);
    for (const std::size_t num_channels : {1U, 2U, 3U, 4U, 5U}) {
      CAPTURE(num_channels);
      constexpr std::size_t kCount = 65536 + 7;  // ends within a vector
      std::vector<std::vector<std::uint16_t>> planes(num_channels);
      std::vector<PlaneRow> rows;
      for (std::size_t c = 0; c < num_channels; ++c) {
        for (std::size_t x = 0; x < kCount; ++x) {
          planes[c].push_back(static_cast<std::uint16_t>(x + 1000 * c));
        }
        rows.push_back({planes[c].data(), true});
      }
      std::vector<float> pixels(kCount * num_channels, -1.0F);
      merge_planes(rows, kCount, pixels.data());
      std::size_t num_wrong = 0;
      for (std::size_t x = 0; x < kCount; ++x) {
        for (std::size_t c = 0; c < num_channels; ++c) {
          const float wanted = half_of(planes[c][x]);
          num_wrong += bits_of(pixels[x * num_channels + c]) == bits_of(wanted) ? 0 : 1;
        }
      }
      CHECK(num_wrong == 0);
    }
  });
}

TEST_CASE("floats are rounded to half as Imath does it, what is too large becomes the largest") {
  const std::vector<float> values = floats_to_round();
  std::int64_t num_too_large = 0;
  for (const float value : values) {
    num_too_large += std::isfinite(value) && half(value).isInfinity() ? 1 : 0;
  }
  on_every_target([&](const std::string& target) {
    CAPTURE(target);
    for (const std::size_t num_channels : {1U, 2U, 3U, 4U, 7U}) {
      CAPTURE(num_channels);
      const std::size_t count = values.size();
      std::vector<float> pixels;
      for (const float value : values) pixels.insert(pixels.end(), num_channels, value);
      std::vector<std::vector<std::uint16_t>> planes(num_channels,
                                                     std::vector<std::uint16_t>(count));
      std::vector<PlaneRow> rows;
      for (auto& plane : planes) rows.push_back({plane.data(), true});
      CHECK(split_planes(pixels.data(), count, rows) ==
            num_too_large * static_cast<std::int64_t>(num_channels));
      std::size_t num_wrong = 0;
      for (std::size_t x = 0; x < count; ++x) {
        for (const auto& plane : planes) num_wrong += plane[x] == half_bits(values[x]) ? 0 : 1;
      }
      CHECK(num_wrong == 0);
    }
  });
}

TEST_CASE("channels of several formats: 32-bit samples keep their bits, rows of any length") {
  on_every_target([](const std::string& target) {
    CAPTURE(target);
    for (const std::size_t count : {0U, 1U, 15U, 16U, 17U, 300U}) {
      CAPTURE(count);
      std::vector<std::uint32_t> ids(count);
      std::vector<std::uint16_t> halves(count);
      std::vector<float> depths(count);
      for (std::size_t x = 0; x < count; ++x) {
        ids[x] = 0x7F800001U + static_cast<std::uint32_t>(x);  // NaN that signals, as a float
        halves[x] = static_cast<std::uint16_t>(x * 31);
        depths[x] = 1e30F * static_cast<float>(x);
      }
      std::vector<std::vector<float>> pixels;
      const std::vector<PlaneRow> mixed{
          {ids.data(), false}, {halves.data(), true}, {depths.data(), false}};
      const std::vector<PlaneRow> whole{
          {ids.data(), false}, {depths.data(), false}, {ids.data(), false}, {depths.data(), false}};
      for (const std::vector<PlaneRow>& rows : {mixed, whole}) {
        constexpr float kUntouched = 5.0F;
        std::vector<float> merged(count * rows.size() + 1, kUntouched);
        merge_planes(rows, count, merged.data());
        CHECK(merged.back() == kUntouched);
        for (std::size_t x = 0; x < count; ++x) {
          REQUIRE(bits_of(merged[x * rows.size()]) == ids[x]);
          REQUIRE(merged[x * rows.size() + rows.size() - 1] == depths[x]);
        }
        std::vector<std::uint32_t> ids_back(count + 1, 9);
        std::vector<std::uint16_t> halves_back(count + 1, 9);
        std::vector<float> depths_back(count + 1, 9.0F);
        std::vector<PlaneRow> back = rows;
        for (PlaneRow& row : back) {
          row.samples = row.is_half                 ? static_cast<void*>(halves_back.data())
                        : row.samples == ids.data() ? static_cast<void*>(ids_back.data())
                                                    : static_cast<void*>(depths_back.data());
        }
        CHECK(split_planes(merged.data(), count, back) == 0);
        for (std::size_t x = 0; x < count; ++x) {
          REQUIRE(ids_back[x] == ids[x]);
          REQUIRE(depths_back[x] == depths[x]);
          if (rows.size() == 3) REQUIRE(halves_back[x] == halves[x]);
        }
        CHECK(ids_back.back() == 9);
        CHECK(halves_back.back() == 9);
        CHECK(depths_back.back() == 9.0F);
      }
    }
  });
}
