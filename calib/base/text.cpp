#include "calib/base/text.h"

#include <fmt/format.h>

#include <array>
#include <charconv>
#include <cmath>
#include <limits>

#include "calib/base/geometry.h"

namespace trueplate {
namespace {

struct Unit {
  std::string_view name;
  double mm;
};
constexpr std::array<Unit, 6> kUnits{
    {{"mm", 1.0}, {"cm", 10.0}, {"m", 1000.0}, {"in", 25.4}, {"ft", 304.8}, {"um", 0.001}}};

}  // namespace

std::string_view trim(std::string_view text) {
  constexpr std::string_view kBlanks = " \t\r\n";
  const std::size_t begin = text.find_first_not_of(kBlanks);
  if (begin == std::string_view::npos) return {};
  return text.substr(begin, text.find_last_not_of(kBlanks) - begin + 1);
}

std::vector<std::string_view> split(std::string_view text, char separator) {
  std::vector<std::string_view> fields;
  for (;;) {
    const std::size_t end = text.find(separator);
    fields.push_back(text.substr(0, end));
    if (end == std::string_view::npos) return fields;
    text.remove_prefix(end + 1);
  }
}

std::optional<double> parse_number(std::string_view text) {
  text = trim(text);
  if (text.starts_with('+') && !text.starts_with("+-")) text.remove_prefix(1);
  double value = 0.0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || end != text.data() + text.size() || !std::isfinite(value)) {
    return std::nullopt;
  }
  return value;
}

std::optional<int> parse_int(std::string_view text) {
  text = trim(text);
  int value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc{} || end != text.data() + text.size()) return std::nullopt;
  return value;
}

std::string to_lossless_text(double value) {
  std::array<char, 32> buffer{};
  const auto [end, error] = std::to_chars(buffer.data(), buffer.data() + buffer.size(), value);
  return {buffer.data(), end};
}

Result<double> parse_length_mm(std::string_view text, InfinityPolicy infinity) {
  const std::string_view whole = trim(text);
  if (infinity == InfinityPolicy::kAllow && (whole == "inf" || whole == "infinity")) {
    return std::numeric_limits<double>::infinity();
  }
  std::string_view number = whole;
  std::string_view unit_name;
  while (!number.empty() && ((number.back() >= 'a' && number.back() <= 'z') ||
                             (number.back() >= 'A' && number.back() <= 'Z'))) {
    number.remove_suffix(1);
  }
  unit_name = whole.substr(number.size());
  const std::optional<double> value = parse_number(number);
  if (value && unit_name.empty()) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("'{}' has no unit; write a length such as {}mm, 1in or 3.5m", whole, whole));
  }
  for (const Unit& unit : kUnits) {
    if (!value || unit.name != unit_name) continue;
    if (*value <= 0.0) {
      return fail(ErrorCode::kInvalidInput, fmt::format("'{}' is not a length above zero", whole));
    }
    return *value * unit.mm;
  }
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("'{}' is not a length; write a number with mm, cm, m, in or ft, such as 25mm",
                  whole));
}

Result<std::pair<int, int>> parse_size(std::string_view text) {
  const std::vector<std::string_view> sides = split(trim(text), 'x');
  if (sides.size() == 2) {
    const std::optional<int> width = parse_int(sides[0]);
    const std::optional<int> height = parse_int(sides[1]);
    if (width && height && *width >= 1 && *height >= 1 && *width <= kMaxImageSide &&
        *height <= kMaxImageSide) {
      return std::pair{*width, *height};
    }
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("'{}' is not a size; write WIDTHxHEIGHT in whole numbers from 1 to {}, "
                          "such as 4096x2160",
                          text,
                          kMaxImageSide));
}

Result<std::pair<double, double>> parse_size_mm(std::string_view text) {
  const std::vector<std::string_view> sides = split(trim(text), 'x');
  if (sides.size() == 2) {
    const Result<double> height = parse_length_mm(sides[1]);
    std::string width_text(trim(sides[0]));
    if (parse_number(width_text)) {
      const std::string_view side = trim(sides[1]);
      width_text += side.substr(side.find_last_of("0123456789.") + 1);
    }
    const Result<double> width = parse_length_mm(width_text);
    if (width && height) return std::pair{*width, *height};
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("'{}' is not a size in mm; write WIDTHxHEIGHT with a unit, such as "
                          "24.89x14mm",
                          text));
}

}  // namespace trueplate
