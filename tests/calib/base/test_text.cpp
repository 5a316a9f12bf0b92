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

TEST_CASE("sizes in mm") {
  using trueplate::parse_size_mm;
  CHECK(*parse_size_mm("24.89x14mm") == std::pair{24.89, 14.0});
  CHECK(*parse_size_mm(" 600 x 40cm ") == std::pair{6000.0, 400.0});
  CHECK(*parse_size_mm("1inx30mm") == std::pair{25.4, 30.0});
  for (const char* bad :
       {"", "24x14", "24mm", "24x14x3mm", "-1x5mm", "0x5mm", "nanx5mm", "axbmm"}) {
    CAPTURE(bad);
    CHECK_FALSE(parse_size_mm(bad).has_value());
  }
  CHECK(parse_size_mm("24x14").error().message.find("24.89x14mm") != std::string::npos);
}

TEST_CASE("lossless numbers read back as the same double") {
  for (double value : {0.1, 1.0 / 3.0, 5e-324, -1.7976931348623157e308, 0.0}) {
    CHECK(*trueplate::parse_number(trueplate::to_lossless_text(value)) == value);
  }
}
