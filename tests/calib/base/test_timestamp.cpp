#include "calib/base/timestamp.h"

#include <doctest/doctest.h>

#include <chrono>

using trueplate::is_utc_timestamp;

TEST_CASE("a moment as RFC 3339 text") {
  using std::chrono::seconds;
  using std::chrono::system_clock;
  CHECK(trueplate::utc_timestamp(system_clock::time_point{}) == "1970-01-01T00:00:00Z");
  // One billion seconds after the epoch; the date is that of POSIX time's definition.
  CHECK(trueplate::utc_timestamp(system_clock::time_point(seconds(1000000000))) ==
        "2001-09-09T01:46:40Z");
  CHECK(trueplate::utc_timestamp(system_clock::time_point(seconds(-1))) == "1969-12-31T23:59:59Z");
  CHECK(is_utc_timestamp(trueplate::utc_timestamp(system_clock::now())));
}

// The first two are examples of RFC 3339, section 5.8.
TEST_CASE("what is a timestamp and what is not") {
  for (const char* good :
       {"1985-04-12T23:20:50.52Z", "1990-12-31T23:59:60Z", "2024-02-29T00:00:00Z"}) {
    CAPTURE(good);
    CHECK(is_utc_timestamp(good));
  }
  for (const char* bad : {"",
                          "Z",
                          "2023-02-29T00:00:00Z",
                          "2024-13-01T00:00:00Z",
                          "2024-00-01T00:00:00Z",
                          "2024-01-01T24:00:00Z",
                          "2024-01-01T00:60:00Z",
                          "2024-01-01T00:00:61Z",
                          "2024-01-01T00:00:00",
                          "2024-01-01T00:00:00.Z",
                          "2024-01-01T00:00:00.5xZ",
                          "2024-01-01 00:00:00Z",
                          "2024-01-01T00:00:00+01:00",
                          "2O24-01-01T00:00:00Z"}) {
    CAPTURE(bad);
    CHECK_FALSE(is_utc_timestamp(bad));
  }
}
