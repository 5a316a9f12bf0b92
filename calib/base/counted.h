#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace trueplate {

/// A count with its noun, for messages: "1 point", "2 points"; a noun that takes an s.
[[nodiscard]] inline std::string counted(std::size_t count, std::string_view noun) {
  std::string text = std::to_string(count) + ' ';
  text += noun;
  if (count != 1) text += 's';
  return text;
}

/// The verb that goes with a count: agreed(1, "lies", "lie") is "lies".
[[nodiscard]] inline std::string_view agreed(std::size_t count,
                                             std::string_view one,
                                             std::string_view many) {
  return count == 1 ? one : many;
}

}  // namespace trueplate
