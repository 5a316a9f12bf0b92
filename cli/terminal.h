#pragma once

#include <string>
#include <string_view>

namespace trueplate::cli {

/// Standard output or standard error.
enum class Stream { kOutput, kErrors };

/// Whether a person sits at the other end of the stream, on a terminal that understands control
/// sequences (TERM is not `dumb`).
[[nodiscard]] bool is_terminal(Stream stream);

/// Columns of the terminal the stream goes to, 40 to 100; 80 when it is none.
[[nodiscard]] int terminal_width(Stream stream);

enum class Style { kHeading, kWarning, kFailure };

/// The text in the style's colour where the stream is a terminal, and as it is elsewhere, or when
/// the environment variable NO_COLOR is not empty (https://no-color.org).
[[nodiscard]] std::string painted(Stream stream, Style style, std::string_view text);

}  // namespace trueplate::cli
