#include "cli/help/text.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/base/text.h"
#include "cli/help/pages.h"
#include "cli/terminal.h"

namespace trueplate::cli {
namespace {

/// Column in which the text of an option begins; longer names have a line of their own.
constexpr int kTextColumn = 26;

std::string heading(std::string_view title) {
  return fmt::format("\n{}\n", painted(Stream::kOutput, Style::kHeading, title));
}

/// A name, and beside it, or below where it is long, what it means.
std::string row(std::string_view name, std::string_view text, int columns) {
  const std::string body = wrapped(text, kTextColumn, columns);
  if (static_cast<int>(name.size()) + 4 > kTextColumn) return fmt::format("  {}\n{}", name, body);
  return fmt::format(
      "  {:<{}}{}", name, kTextColumn - 2, body.empty() ? "\n" : body.substr(kTextColumn));
}

std::string option_row(const OptionEntry& option, int columns) {
  std::string name = fmt::format("{}", fmt::join(option.names, ", "));
  if (!option.value.empty()) name += fmt::format(" {}", shown_value(option));
  if (option.may_repeat) name += "...";
  const std::string facts = option_facts(option);
  return row(name, option.text + (facts.empty() ? "" : " " + facts), columns);
}

std::string argument_row(const OptionEntry& argument, int columns) {
  return row(argument.names.front() + (argument.may_repeat ? "..." : ""), argument.text, columns);
}

std::string examples(const HelpPage& page, int columns) {
  std::string text;
  for (const HelpExample& example : page.examples) {
    if (example.line.empty()) continue;
    // Behind a backslash the shell goes on in the next line, so a wrapped one can be pasted as
    // well.
    std::string lines = wrapped(fmt::format("trueplate {}", example.line), 2, columns - 2);
    for (std::size_t end = lines.find('\n'); end + 1 < lines.size();
         end = lines.find('\n', end + 5)) {
      lines.replace(end, 1, " \\\n  ");
    }
    text += lines;
    if (!example.what.empty()) text += wrapped(example.what, 6, columns);
  }
  return text.empty() ? text : heading("Examples") + text;
}

std::string exit_statuses(const HelpPage* page, int columns) {
  std::string text = heading("Exit status");
  for (const StatusLine& line : help_statuses()) {
    text += fmt::format("  {:<6}{}", line.status, wrapped(line.meaning, 8, columns).substr(8));
  }
  if (page != nullptr && !page->statuses.empty()) text += wrapped(page->statuses, 2, columns);
  return text;
}

}  // namespace

std::string wrapped(std::string_view text, int indent, int columns) {
  std::string result;
  std::string line;
  const auto end_line = [&] {
    if (!line.empty()) result += std::string(static_cast<std::size_t>(indent), ' ') + line + "\n";
    line.clear();
  };
  for (const std::string_view word : split(text, ' ')) {
    if (word.empty()) continue;
    if (!line.empty() && indent + static_cast<int>(line.size() + 1 + word.size()) > columns)
      end_line();
    if (!line.empty()) line += ' ';
    line += word;
  }
  end_line();
  return result;
}

std::string command_list(const CommandEntry& command, int columns) {
  std::string text;
  std::string group;
  for (const CommandEntry& below : command.commands) {
    if (below.group != group) text += heading(below.group);
    group = below.group;
    text += fmt::format(
        "  {:<14}{}", below.words.back(), wrapped(below.summary, 16, columns).substr(16));
  }
  return text;
}

std::string help_text(const CommandEntry& command, int columns) {
  const bool is_program = command.words.size() == 1;
  const HelpPage* page =
      is_program ? nullptr : help_page(command.name().substr(command.words.front().size() + 1));
  const std::string title = wrapped(command.name() + ": " + command.summary, 0, columns);
  std::string text = painted(Stream::kOutput, Style::kHeading, command.name()) +
                     title.substr(command.name().size()) + '\n';
  text += wrapped(fmt::format("Usage: {}", command.usage()), 0, columns);
  if (page != nullptr) {
    text += '\n';
    text += wrapped(page->about, 0, columns);
    text += examples(*page, columns);
  }
  if (!command.arguments.empty()) text += heading("Arguments");
  for (const OptionEntry& argument : command.arguments) text += argument_row(argument, columns);
  text += command_list(command, columns);
  for (const OptionGroup& group : command.groups) {
    text += heading(group.title);
    for (const OptionEntry& option : group.options) text += option_row(option, columns);
  }
  if (is_program) text += heading("Units and names") + wrapped(help_units(), 2, columns);
  if (!is_program) text += exit_statuses(page, columns);
  text += heading("Read on");
  text +=
      wrapped(is_program ? "trueplate COMMAND --help, man trueplate-COMMAND, docs/command-line.md"
                         : fmt::format("man {}{}; units and names: trueplate --help",
                                       command.name('-'),
                                       page == nullptr ? "" : fmt::format("; {}", page->see)),
              2,
              columns);
  return text;
}

}  // namespace trueplate::cli
