#include "calib/base/text.h"

#include <doctest/doctest.h>

#include <cmath>

using trueplate::parse_length_mm;

TEST_CASE("lengths carry a unit") {
  CHECK(*parse_length_mm("25mm") == doctest::Approx(25.0));
  CHECK(*parse_length_mm("1in") == doctest::Approx(25.4));  // one inch is 25.4 mm by definition
  CHECK(*parse_length_mm("3.5m") == doctest::Approx(3500.0));
  CHECK(*parse_length_mm(" 2.5 cm ") == doctest::Approx(25.0));
  CHECK(std::isinf(*parse_length_mm("inf", trueplate::InfinityPolicy::kAllow)));
  for (const char* bad : {"", "25", "mm", "-1mm", "0mm", "nanmm", "1e999m", "inf", "25 parsecs"}) {
    CAPTURE(bad);
    CHECK_FALSE(parse_length_mm(bad).has_value());
  }
  CHECK(parse_length_mm("25").error().message.find("25mm") != std::string::npos);
}

TEST_CASE("sizes") {
  CHECK(*trueplate::parse_size("4096x2160") == std::pair{4096, 2160});
  for (const char* bad : {"", "4096", "0x1", "-1x5", "4096x2160x3", "1e3x5", "99999999x1"}) {
    CAPTURE(bad);
    CHECK_FALSE(trueplate::parse_size(bad).has_value());
  }
}

TEST_CASE("lossless numbers read back as the same double") {
  for (double value : {0.1, 1.0 / 3.0, 5e-324, -1.7976931348623157e308, 0.0}) {
    CHECK(*trueplate::parse_number(trueplate::to_lossless_text(value)) == value);
  }
}
