#pragma once

#include <array>
#include <span>
#include <string_view>

namespace trueplate::cli {

struct HelpExample {
  std::string_view line;  // without the program's name
  std::string_view what;
};

/// What a command's declarations cannot say.
struct HelpPage {
  std::string_view command;  // `archive find`
  std::string_view about;
  std::array<HelpExample, 3> examples;  // empty ones at the end
  std::string_view statuses;            // beside the usual ones
  std::string_view see;                 // files of docs/, and commands
};

/// All pages, in an order in which each example finds what an earlier one made.
std::span<const HelpPage> help_pages();

/// The page of a command; nullptr when there is none.
const HelpPage* help_page(std::string_view command);

/// How lengths, sizes, frames and pixels are written on every command line: paragraphs.
std::string_view help_units();

/// What the process returns: number and meaning, for every command.
struct StatusLine {
  int status;
  std::string_view meaning;
};
std::span<const StatusLine> help_statuses();

}  // namespace trueplate::cli
