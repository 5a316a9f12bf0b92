#include "calib/base/timestamp.h"

#include <fmt/format.h>

#include <algorithm>

namespace trueplate {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }

int two_digits(std::string_view text, std::size_t at) {
  return 10 * (text[at] - '0') + (text[at + 1] - '0');
}

}  // namespace

std::string utc_timestamp(std::chrono::system_clock::time_point moment) {
  const auto second = std::chrono::floor<std::chrono::seconds>(moment);
  const auto day = std::chrono::floor<std::chrono::days>(second);
  const std::chrono::year_month_day date(day);
  const std::chrono::hh_mm_ss time(second - day);
  return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z",
                     static_cast<int>(date.year()),
                     static_cast<unsigned>(date.month()),
                     static_cast<unsigned>(date.day()),
                     time.hours().count(),
                     time.minutes().count(),
                     time.seconds().count());
}

bool is_utc_timestamp(std::string_view text) {
  constexpr std::string_view kPattern = "dddd-dd-ddTdd:dd:dd";
  if (text.size() <= kPattern.size() || text.back() != 'Z') return false;
  for (std::size_t i = 0; i < kPattern.size(); ++i) {
    if (kPattern[i] == 'd' ? !is_digit(text[i]) : text[i] != kPattern[i]) return false;
  }
  const std::string_view fraction = text.substr(kPattern.size(), text.size() - kPattern.size() - 1);
  if (!fraction.empty() && (fraction.size() < 2 || fraction[0] != '.' ||
                            !std::all_of(fraction.begin() + 1, fraction.end(), is_digit))) {
    return false;
  }
  const std::chrono::year_month_day date(
      std::chrono::year(100 * two_digits(text, 0) + two_digits(text, 2)),
      std::chrono::month(static_cast<unsigned>(two_digits(text, 5))),
      std::chrono::day(static_cast<unsigned>(two_digits(text, 8))));
  // Second 60 is a leap second, legal in RFC 3339.
  return date.ok() && two_digits(text, 11) < 24 && two_digits(text, 14) < 60 &&
         two_digits(text, 17) <= 60;
}

}  // namespace trueplate
