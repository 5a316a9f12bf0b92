#include "cli/document_date.h"

#include <fmt/format.h>

#include <chrono>
#include <cstdint>
#include <cstdlib>
#include <optional>

#include "calib/base/text.h"
#include "calib/base/timestamp.h"

namespace trueplate::cli {

Result<std::string> document_date(const std::string& asked) {
  if (!asked.empty()) {
    if (is_utc_timestamp(asked + "T00:00:00Z")) return asked;
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--date: '{}' is no date; write it as 2031-05-04", asked));
  }
  auto moment = std::chrono::system_clock::now();
  if (const char* const epoch = std::getenv("SOURCE_DATE_EPOCH")) {
    constexpr double kEndOf9999 = 253402300799.0;
    const std::optional<double> seconds = parse_number(epoch);
    if (!seconds || *seconds < 0.0 || *seconds > kEndOf9999) {
      return fail(
          ErrorCode::kInvalidInput,
          fmt::format(
              "SOURCE_DATE_EPOCH: '{}' is no number of seconds since 1970; unset it or use --date",
              epoch));
    }
    moment = std::chrono::system_clock::time_point(
        std::chrono::seconds(static_cast<std::int64_t>(*seconds)));
  }
  return utc_timestamp(moment).substr(0, 10);
}

}  // namespace trueplate::cli
