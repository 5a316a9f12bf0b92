#include "cli/help/reference.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/base/text.h"

namespace trueplate::cli {
namespace {

/// Longer lists of words go into the text.
constexpr std::size_t kLongestValue = 34;

bool is_word(std::string_view text) {
  return !text.empty() && std::none_of(text.begin(), text.end(), [](char c) {
    return (c >= 'A' && c <= 'Z') || c == ',' || c == '%';
  });
}

/// The library's type names end in what it makes of checks: `N:INT in [0 - 1024]`.
void take_type(const std::string& type, OptionEntry& entry) {
  const std::size_t colon = type.find(':');
  entry.value = type.substr(0, colon);
  const std::size_t open = type.find('[');
  const std::size_t close = type.find(']');
  if (colon != std::string::npos && open != std::string::npos && close != std::string::npos) {
    const std::string range = type.substr(open + 1, close - open - 1);
    const std::size_t dash = range.find(" - ");
    if (dash != std::string::npos) {
      entry.range = fmt::format("{} to {}", range.substr(0, dash), range.substr(dash + 3));
    }
  }
  for (const std::string_view part : split(entry.value, '|')) {
    if (is_word(part)) entry.choices.emplace_back(part);
  }
}

OptionEntry entry_of(const CLI::Option& option) {
  OptionEntry entry;
  if (option.nonpositional()) {
    for (const std::string& name : option.get_snames()) entry.names.push_back("-" + name);
    for (const std::string& name : option.get_lnames()) entry.names.push_back("--" + name);
  } else {
    entry.names.push_back(option.get_name(true, false));
  }
  if (option.get_type_size() != 0 && option.get_expected_max() > 0) {  // 0: a flag
    take_type(option.get_type_name(), entry);
    if (entry.value.empty() && option.nonpositional()) entry.value = "VALUE";
    entry.preset = option.get_default_str();
    entry.may_repeat = option.get_expected_max() > 1;
  }
  entry.text = option.get_description();
  entry.is_required = option.get_required();
  return entry;
}

std::vector<OptionGroup> options_of(const CLI::App& app) {
  std::vector<OptionGroup> groups;
  for (const CLI::Option* option : app.get_options()) {
    if (!option->nonpositional() || option->get_group().empty()) continue;
    auto group = std::find_if(groups.begin(), groups.end(), [&](const OptionGroup& known) {
      return known.title == option->get_group();
    });
    if (group == groups.end()) group = groups.insert(group, {option->get_group(), {}});
    group->options.push_back(entry_of(*option));
  }
  return groups;
}

CommandEntry entry_of(const CLI::App& app, std::vector<std::string> words) {
  CommandEntry entry;
  entry.words = std::move(words);
  entry.words.push_back(app.get_name());
  entry.summary = app.get_description();
  entry.group = app.get_group() == "Subcommands" ? "Commands" : app.get_group();
  for (const CLI::Option* option : app.get_options()) {
    if (!option->get_positional()) continue;
    entry.arguments.push_back(entry_of(*option));
    entry.arguments.back().names = {option->get_name(true, false)};
  }
  entry.groups = options_of(app);
  if (app.get_fallthrough() && !app.get_parent()->get_name().empty() && entry.words.size() > 2) {
    for (OptionGroup& group : options_of(*app.get_parent()))
      entry.groups.push_back(std::move(group));
  }
  // What is common to all commands comes last; --help, which is declared first, goes with it.
  std::stable_partition(entry.groups.begin(), entry.groups.end(), [](const OptionGroup& group) {
    return group.title != kCommonGroup;
  });
  for (const CLI::App* below : app.get_subcommands({})) {
    entry.commands.push_back(entry_of(*below, entry.words));
  }
  return entry;
}

}  // namespace

std::string CommandEntry::name(char between) const {
  std::string joined;
  for (const std::string& word : words) {
    if (!joined.empty()) joined += between;
    joined += word;
  }
  return joined;
}

std::string CommandEntry::usage() const {
  std::string line = name();
  if (!commands.empty()) line += " COMMAND";
  for (const OptionEntry& argument : arguments) {
    const std::string text = argument.names.front() + (argument.may_repeat ? "..." : "");
    line += argument.is_required ? fmt::format(" {}", text) : fmt::format(" [{}]", text);
  }
  for (const OptionGroup& titled : groups) {
    for (const OptionEntry& option : titled.options) {
      const bool is_said =
          std::any_of(arguments.begin(), arguments.end(), [&](const auto& argument) {
            return argument.text == option.text;
          });
      if (option.is_required && !is_said) {
        line += fmt::format(" {} {}", option.names.front(), shown_value(option));
      }
    }
  }
  return line + " [options]";
}

CommandEntry reference_of(const CLI::App& app) {
  std::vector<std::string> above;
  for (const CLI::App* parent = app.get_parent(); parent != nullptr;
       parent = parent->get_parent()) {
    above.insert(above.begin(), parent->get_name());
  }
  return entry_of(app, above);
}

std::string shown_value(const OptionEntry& option) {
  if (option.value.size() <= kLongestValue) return option.value;
  std::string value = "WORD";
  for (const std::string_view part : split(option.value, '|')) {
    if (!is_word(part)) value += fmt::format("|{}", part);
  }
  return value;
}

std::string option_facts(const OptionEntry& option) {
  std::vector<std::string> facts;
  if (option.value.size() > kLongestValue && !option.choices.empty()) {
    facts.push_back(fmt::format("one of {}", fmt::join(option.choices, ", ")));
  }
  if (!option.range.empty()) facts.push_back(option.range);
  if (!option.preset.empty()) facts.push_back("default " + option.preset);
  if (option.is_required) facts.push_back("required");
  if (facts.empty()) return {};
  return fmt::format("[{}]", fmt::join(facts, "; "));
}

}  // namespace trueplate::cli
