#pragma once

#include <chrono>
#include <string>
#include <string_view>

namespace trueplate {

/// A moment in UTC as RFC 3339 text, to the second: 2031-05-04T10:20:30Z.
[[nodiscard]] std::string utc_timestamp(std::chrono::system_clock::time_point moment);

/// Whether `text` is such a text: an existing date and time of day, optionally with a fraction of a
/// second, in UTC with the letter Z.
[[nodiscard]] bool is_utc_timestamp(std::string_view text);

}  // namespace trueplate
