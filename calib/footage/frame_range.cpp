#include <fmt/format.h>

#include <charconv>
#include <cstdint>
#include <string>
#include <unordered_set>
#include <vector>

#include "calib/base/text.h"
#include "calib/footage/frame_set.h"

namespace trueplate::footage {
namespace {

struct Range {
  std::int64_t first = 0;
  std::int64_t last = 0;
  std::int64_t step = 1;
};

/// Takes a number off the front of `text`; nullopt when there is none or it is out of range.
std::optional<std::int64_t> take_number(std::string_view& text) {
  std::int64_t value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || value > kMaxFrameNumber || value < -kMaxFrameNumber) {
    return std::nullopt;
  }
  text.remove_prefix(static_cast<std::size_t>(end - text.data()));
  return value;
}

std::optional<Range> parse_item(std::string_view item) {
  Range range;
  const std::optional<std::int64_t> first = take_number(item);
  if (!first) return std::nullopt;
  range.first = range.last = *first;
  if (item.empty()) return range;
  if (item.front() != '-') return std::nullopt;
  item.remove_prefix(1);
  const std::optional<std::int64_t> last = take_number(item);
  if (!last) return std::nullopt;
  range.last = *last;
  if (item.empty()) return range;
  if (item.front() != 'x') return std::nullopt;
  item.remove_prefix(1);
  const std::optional<std::int64_t> step = take_number(item);
  if (!step || !item.empty() || *step < 1) return std::nullopt;
  range.step = *step;
  return range;
}

}  // namespace

Result<std::vector<int>> parse_frame_range(std::string_view text) {
  std::vector<int> numbers;
  std::unordered_set<int> seen;
  std::size_t written = 0;
  for (const std::string_view field : split(text, ',')) {
    const std::string_view item = trim(field);
    const std::optional<Range> range = parse_item(item);
    if (!range) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("frames '{}': '{}' is no frame number or range, wanted such as "
                              "1001-1100, 1001-1100x2 or 1001,1005 (within +-{})",
                              text.substr(0, 80),
                              item.substr(0, 40),
                              kMaxFrameNumber));
    }
    if (range->last < range->first) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("frames '{}': the range {} runs backwards; write {}-{}",
                              text.substr(0, 80),
                              item,
                              range->last,
                              range->first));
    }
    written += static_cast<std::size_t>((range->last - range->first) / range->step) + 1;
    if (written > kMaxFrames) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("frames '{}': more than {} frames; name fewer at a time",
                              text.substr(0, 80),
                              kMaxFrames));
    }
    for (std::int64_t number = range->first; number <= range->last; number += range->step) {
      if (seen.insert(static_cast<int>(number)).second) numbers.push_back(static_cast<int>(number));
    }
  }
  return numbers;
}

std::string frame_range_text(std::span<const int> numbers) {
  std::string text;
  for (std::size_t i = 0; i < numbers.size();) {
    std::size_t end = i + 1;
    while (end < numbers.size() &&
           std::int64_t{numbers[end]} == std::int64_t{numbers[end - 1]} + 1) {
      ++end;
    }
    if (!text.empty()) text += ',';
    text += fmt::format("{}", numbers[i]);
    if (end - i > 1) text += fmt::format("-{}", numbers[end - 1]);
    i = end;
  }
  return text;
}

}  // namespace trueplate::footage
