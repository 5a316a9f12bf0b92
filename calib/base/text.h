#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"

namespace trueplate {

/// The whole of `text` (surrounding blanks ignored) as a finite number; nullopt for anything else,
/// NaN and infinity included. Independent of the locale.
[[nodiscard]] std::optional<double> parse_number(std::string_view text);
[[nodiscard]] std::optional<int> parse_int(std::string_view text);

/// Shortest decimal text that reads back as exactly the same double. NaN becomes "nan".
[[nodiscard]] std::string to_lossless_text(double value);

/// A length with a unit (`25mm`, `2.5cm`, `1in`, `3.5m`, `5ft`), in millimetres; positive. `inf` is
/// legal only where `allow_infinity` says so. A bare number is refused: the message asks for a
/// unit.
enum class InfinityPolicy { kRefuse, kAllow };
Result<double> parse_length_mm(std::string_view text,
                               InfinityPolicy infinity = InfinityPolicy::kRefuse);

/// `WIDTHxHEIGHT` in whole pixels, each 1 .. kMaxImageSide.
Result<std::pair<int, int>> parse_size(std::string_view text);

/// `WIDTHxHEIGHT` with a unit (`24.89x14mm`, `1inx30mm`), each positive, in millimetres; a width
/// without a unit has that of the height.
Result<std::pair<double, double>> parse_size_mm(std::string_view text);

/// `text` split at `separator`; n separators give n + 1 fields.
[[nodiscard]] std::vector<std::string_view> split(std::string_view text, char separator);
[[nodiscard]] std::string_view trim(std::string_view text);

}  // namespace trueplate
