#include <fmt/format.h>

#include <algorithm>
#include <cctype>

#include "cli/help/documents.h"
#include "cli/help/pages.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

/// Text in which nothing is a request or an escape; see groff_man(7), groff_char(7).
std::string plain(std::string_view text) {
  std::string result;
  for (const char c : text) {
    switch (c) {
      case '\\':
        result += "\\e";
        break;
      case '-':
        result += "\\-";
        break;
      case '\'':
        result += "\\(aq";
        break;
      case '`':
        result += "\\(ga";
        break;
      case '^':
        result += "\\(ha";
        break;
      case '~':
        result += "\\(ti";
        break;
      default:
        result += c;
    }
  }
  return result.starts_with('.') ? "\\&" + result : result;
}

std::string upper(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(), [](unsigned char c) {
    return static_cast<char>(std::toupper(c));
  });
  return text;
}

std::string section(std::string_view title) { return fmt::format(".SH {}\n", upper(plain(title))); }

std::string row(const std::string& head, const std::string& text) {
  return fmt::format(".TP\n{}\n{}\n", head, plain(text));
}

std::string option_row(const OptionEntry& option) {
  std::string head;
  for (const std::string& name : option.names) {
    head += fmt::format("{}\\fB{}\\fR", head.empty() ? "" : ", ", plain(name));
  }
  if (!option.value.empty()) head += fmt::format(" \\fI{}\\fR", plain(shown_value(option)));
  if (option.may_repeat) head += "...";
  const std::string facts = option_facts(option);
  return row(head, option.text + (facts.empty() ? "" : " " + facts));
}

std::string examples(const HelpPage& page) {
  std::string text;
  for (const HelpExample& example : page.examples) {
    if (example.line.empty()) continue;
    text += fmt::format(".TP\n.B {}\n{}\n",
                        plain(fmt::format("trueplate {}", example.line)),
                        example.what.empty() ? "\\&" : plain(example.what));
  }
  return text.empty() ? text : section("examples") + text;
}

std::string see_also(const CommandEntry& command, const HelpPage* page) {
  std::string text = section("see also");
  std::vector<std::string> pages;
  if (command.words.size() > 1) pages.push_back("trueplate");
  for (const CommandEntry& below : command.commands) pages.push_back(below.name('-'));
  for (std::size_t i = 0; i < pages.size(); ++i) {
    text += fmt::format(".BR {} (1){}\n", plain(pages[i]), i + 1 < pages.size() ? "," : "");
  }
  if (page != nullptr && !page->see.empty()) {
    text += fmt::format(".PP\nIn the documents of trueplate: {}\n", plain(page->see));
  }
  return text;
}

}  // namespace

std::string manual_page(const CommandEntry& command) {
  const bool is_program = command.words.size() == 1;
  const HelpPage* page =
      is_program ? nullptr : help_page(command.name().substr(command.words.front().size() + 1));
  // No date: a build of the same sources gives the same bytes.
  std::string text = fmt::format(".TH {} 1 \"\" \"trueplate {}\" \"User Commands\"\n",
                                 upper(plain(command.name('-'))),
                                 kVersion);
  text += section("name") +
          fmt::format("{} \\- {}\n", plain(command.name('-')), plain(command.summary));
  text += section("synopsis") + fmt::format(".nh\n{}\n.hy\n", plain(command.usage()));
  text += section("description") + plain(page == nullptr ? help_units() : page->about) + "\n";
  if (page != nullptr) text += examples(*page);
  if (!command.arguments.empty()) text += section("arguments");
  for (const OptionEntry& argument : command.arguments) {
    text +=
        row(fmt::format(
                "\\fI{}\\fR{}", plain(argument.names.front()), argument.may_repeat ? "..." : ""),
            argument.text);
  }
  if (!command.commands.empty()) text += section("commands");
  for (const CommandEntry& below : command.commands) {
    text += row(fmt::format("\\fB{}\\fR", plain(below.words.back())), below.summary);
  }
  for (const OptionGroup& group : command.groups) {
    text += section(group.title);
    for (const OptionEntry& option : group.options) text += option_row(option);
  }
  text += section("exit status");
  for (const StatusLine& line : help_statuses()) {
    text += row(fmt::format("{}", line.status), std::string(line.meaning));
  }
  if (page != nullptr && !page->statuses.empty())
    text += fmt::format(".PP\n{}\n", plain(page->statuses));
  text += section("environment") +
          row("\\fBNO_COLOR\\fR", "not empty: no colours, also on a terminal") +
          row("\\fBSOURCE_DATE_EPOCH\\fR",
              "the moment that dates on charts and reports are taken from, in seconds since 1970");
  return text + see_also(command, page);
}

}  // namespace trueplate::cli
