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

}  // namespace

bool is_terminal(Stream stream) {
  return ::isatty(descriptor(stream)) == 1 && environment("TERM") != "dumb";
}

int terminal_width(Stream stream) {
  constexpr int kUsual = 80;
  winsize size{};
  if (::ioctl(descriptor(stream), TIOCGWINSZ, &size) != 0 || size.ws_col == 0) {
    return kUsual;
  }
  return std::clamp(static_cast<int>(size.ws_col), 40, 100);
}

std::string painted(Stream stream, Style style, std::string_view text) {
  if (!is_terminal(stream) || !environment("NO_COLOR").empty()) return std::string(text);
  return fmt::format("\x1b[{}m{}\x1b[0m", parameters(style), text);
}

}  // namespace trueplate::cli
