#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::profile::detail {

/// Objects keep the order of their keys.
using Json = nlohmann::ordered_json;

/// Deepest nesting of objects and lists, and most fields of one object, that are read.
inline constexpr int kMaxDepth = 16;
inline constexpr std::size_t kMaxFields = 256;

/// The value in `text`, which must be one whole JSON text (RFC 8259) in UTF-8; a byte order mark in
/// front is skipped. Beyond the RFC, a key given twice in one object is refused, and so is a number
/// too large for a double. `source` names the text in messages: `lens.json:12:7: ...` with the
/// line and the byte in the line, both from 1. Terminates on every input; never throws but for lack
/// of memory.
Result<Json> parse_json(std::string_view text, std::string_view source);

/// `value` as indented JSON text in UTF-8 with a final line break. Doubles are the shortest text
/// that reads back as the same double, minus zero included; strings that are not UTF-8 get U+FFFD
/// for each bad byte. Lists of numbers, and objects of numbers and strings that fit, take one line.
/// Numbers must be finite.
[[nodiscard]] std::string json_text(const Json& value);

}  // namespace trueplate::profile::detail
