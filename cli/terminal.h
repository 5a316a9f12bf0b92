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

/// A line in the width of the terminal the stream goes to: what is longer goes on below, indented,
/// from between two words. Where the stream is no terminal, the line as it is.
[[nodiscard]] std::string fitted(Stream stream, std::string_view line);

/// The same for a known width; for tests.
[[nodiscard]] std::string fitted_to(int columns, std::string_view line);

enum class Style { kHeading, kWarning, kFailure };

/// The text in the style's colour where the stream is a terminal, and as it is elsewhere, or when
/// the environment variable NO_COLOR is not empty (https://no-color.org).
[[nodiscard]] std::string painted(Stream stream, Style style, std::string_view text);

}  // namespace trueplate::cli
