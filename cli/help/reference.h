#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace trueplate::cli {

/// One option, or one argument without a name, as it was declared.
struct OptionEntry {
  std::vector<std::string> names;  // -o, --output; of an argument its name alone
  std::string value;               // what follows it: FILE, N, auto|none; empty: nothing does
  std::vector<std::string>
      choices;  // the words among `value`; what is not lower case stands for one's own
  std::string text;
  std::string preset;  // the value without it
  std::string range;   // 0 to 1024
  bool is_required = false;
  bool may_repeat = false;
};

struct OptionGroup {
  std::string title;
  std::vector<OptionEntry> options;
};

/// All that is said of a command: on its help page, in its manual page and to the shells.
struct CommandEntry {
  std::vector<std::string> words;  // trueplate, archive, find
  std::string summary;
  std::string group;  // heading in the list of commands
  std::vector<OptionEntry> arguments;
  std::vector<OptionGroup> groups;
  std::vector<CommandEntry> commands;

  /// `trueplate archive find`, or with another sign between the words.
  [[nodiscard]] std::string name(char between = ' ') const;
  /// `trueplate stmap PROFILE [options]`: what has to be there, and that there is more.
  [[nodiscard]] std::string usage() const;
};

/// The group of options that every command has.
inline constexpr const char* kCommonGroup = "Common options";

/// What was declared on `app` and below it.
CommandEntry reference_of(const CLI::App& app);

/// What follows an option's name: its value, or WORD where its words are too many for one line.
std::string shown_value(const OptionEntry& option);

/// What is said of an option beside its text: choices, default, range; empty, or a sentence.
std::string option_facts(const OptionEntry& option);

}  // namespace trueplate::cli
