// What rounding put on or off an alpha, a vector at a time, against the rule written out.

#include "warp/detail/alpha_rows.h"

#include <doctest/doctest.h>

#include <bit>
#include <cstdint>
#include <iterator>
#include <random>
#include <string>
#include <vector>

#include "tests/warp/support.h"

using trueplate::tests::on_every_target;
using trueplate::warp::detail::kAlphaRounding;
using trueplate::warp::detail::take_back_alpha_rounding;

namespace {

bool is_beyond(float value) { return value < -kAlphaRounding || value > 1.0F + kAlphaRounding; }

std::uint32_t bits_of(float value) { return std::bit_cast<std::uint32_t>(value); }

/// Bits a float may have by which a processor could stumble or which it could change.
std::uint32_t odd_bits(std::mt19937& random) {
  static constexpr std::uint32_t kOdd[] = {0x00000001U,  // the smallest subnormal
                                           0x80000000U,  // -0
                                           0x7F800001U,  // a signalling NaN
                                           0xFFC12345U,  // a NaN with a payload
                                           0x7F800000U,
                                           0xFF800000U};
  return kOdd[random() % std::size(kOdd)];
}

}  // namespace

TEST_CASE("an alpha that rounding put beyond 0..1 comes back, everything else stays bit for bit") {
  on_every_target([](const std::string& target) {
    CAPTURE(target);
    std::mt19937 random(11);  // fixed, so that every run sees the same
    std::uniform_real_distribution<float> near(-2.0F * kAlphaRounding, 2.0F * kAlphaRounding);
    for (const int channels : {1, 3, 4, 5}) {
      for (int width = 0; width < 40; ++width) {
        const int alpha = static_cast<int>(random() % static_cast<unsigned>(channels));
        std::vector<float> row;
        for (int i = 0; i < width * channels; ++i) {
          const float value = random() % 3 == 0   ? std::bit_cast<float>(odd_bits(random))
                              : random() % 2 == 0 ? near(random)
                                                  : 1.0F + near(random);
          row.push_back(value);
        }
        const std::vector<float> before = row;
        row.push_back(1.5F);  // beyond the row: not looked at
        const bool beyond = take_back_alpha_rounding(row.data(), width, channels, alpha);
        bool expected_beyond = false;
        bool as_expected = true;
        for (int i = 0; i < width * channels; ++i) {
          const auto n = static_cast<std::size_t>(i);
          float expected = before[n];
          if (i % channels == alpha) {
            expected_beyond |= is_beyond(expected);
            if (!is_beyond(expected) && expected < 0.0F) expected = 0.0F;
            if (!is_beyond(expected) && expected > 1.0F) expected = 1.0F;
          }
          as_expected = as_expected && bits_of(row[n]) == bits_of(expected);
        }
        CAPTURE(channels);
        CAPTURE(width);
        CHECK(as_expected);
        CHECK(beyond == expected_beyond);
      }
    }
  });
}
