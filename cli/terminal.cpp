#include "cli/terminal.h"

#include <fmt/format.h>
#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cstdlib>

namespace trueplate::cli {
namespace {

std::string_view environment(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? std::string_view() : value;
}

int descriptor(Stream stream) { return stream == Stream::kOutput ? STDOUT_FILENO : STDERR_FILENO; }

/// SGR parameters of ECMA-48: 1 bold, 31 red, 33 yellow.
std::string_view parameters(Style style) {
  switch (style) {
    case Style::kHeading:
      return "1";
    case Style::kWarning:
      return "1;33";
    case Style::kFailure:
      return "1;31";
  }
  return "0";
}

constexpr int kUsualWidth = 80;

/// Columns of the stream's terminal; the usual number when it is none.
int columns_of(Stream stream) {
  winsize size{};
  if (::ioctl(descriptor(stream), TIOCGWINSZ, &size) != 0 || size.ws_col == 0) return kUsualWidth;
  return size.ws_col;
}

/// Columns that text takes: control sequences and continuation bytes of UTF-8 take none.
int shown_length(std::string_view text) {
  int length = 0;
  bool in_sequence = false;
  for (const char c : text) {
    if (c == '\x1b') in_sequence = true;
    if (!in_sequence && (static_cast<unsigned char>(c) & 0xC0) != 0x80) ++length;
    if (in_sequence && c == 'm') in_sequence = false;
  }
  return length;
}

/// Where a line that is too long goes on: below its last column, or, where little room is left
/// there, four blanks to the right of where the line begins.
int hanging_indent(std::string_view line, int columns) {
  const std::size_t text = std::min(line.find_first_not_of(' '), line.size());
  int below = static_cast<int>(text);
  for (std::size_t gap = line.find("  ", text); gap != std::string_view::npos;
       gap = line.find("  ", gap)) {
    gap = std::min(line.find_first_not_of(' ', gap), line.size());
    const int column = shown_length(line.substr(0, gap));
    if (column < columns / 2) below = column;
  }
  return below > static_cast<int>(text) ? below : std::min(below + 4, columns / 2);
}

}  // namespace

std::string fitted_to(int columns, std::string_view line) {
  if (shown_length(line) <= columns) return std::string(line);
  const int indent = hanging_indent(line, columns);
  std::string result;
  int used = 0;
  while (!line.empty()) {
    // A word with the blanks before it.
    const std::size_t begin = std::min(line.find_first_not_of(' '), line.size());
    const std::size_t end = std::min(line.find(' ', begin), line.size());
    const int length = shown_length(line.substr(0, end));
    if (used > indent && used + length > columns) {
      result += '\n' + std::string(static_cast<std::size_t>(indent), ' ');
      result += line.substr(begin, end - begin);
      used = indent + length - static_cast<int>(begin);
    } else {
      result += line.substr(0, end);
      used += length;
    }
    line.remove_prefix(end);
  }
  return result;
}

std::string fitted(Stream stream, std::string_view line) {
  return is_terminal(stream) ? fitted_to(columns_of(stream), line) : std::string(line);
}

bool is_terminal(Stream stream) {
  return ::isatty(descriptor(stream)) == 1 && environment("TERM") != "dumb";
}

int terminal_width(Stream stream) { return std::clamp(columns_of(stream), 40, 100); }

std::string painted(Stream stream, Style style, std::string_view text) {
  if (!is_terminal(stream) || !environment("NO_COLOR").empty()) return std::string(text);
  return fmt::format("\x1b[{}m{}\x1b[0m", parameters(style), text);
}

}  // namespace trueplate::cli
