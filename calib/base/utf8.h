#pragma once

#include <cstddef>
#include <string>
#include <string_view>

namespace trueplate {

/// Offset of the first byte that is not part of well-formed UTF-8 (RFC 3629: no overlong forms, no
/// surrogates, nothing above U+10FFFF), or std::string_view::npos.
[[nodiscard]] std::size_t find_invalid_utf8(std::string_view text);

/// `text` with U+FFFD in place of each byte that is not part of well-formed UTF-8.
[[nodiscard]] std::string replace_invalid_utf8(std::string_view text);

/// `text` for showing to a person: line breaks and tabs become blank, what else controls (turns of
/// the writing's direction among it) and bytes not UTF-8 U+FFFD, so that it is seen to be odd; what
/// is longer than `max_bytes` ends with "...". So text from a file can neither drive a terminal nor
/// break a one-line message.
[[nodiscard]] std::string printable(std::string_view text, std::size_t max_bytes = 60);

}  // namespace trueplate
