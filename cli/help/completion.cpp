#include <fmt/format.h>

#include <set>

#include "calib/base/text.h"
#include "cli/help/documents.h"

namespace trueplate::cli {
namespace {

/// What a shell offers for a value.
enum class Offer { kNothing, kFiles, kFolders };

Offer offer_of(const OptionEntry& option) {
  static const std::set<std::string_view> files{"FILE", "FRAMES", "PATTERN", "PROFILE", "CLIP"};
  Offer offer = Offer::kNothing;
  for (const std::string_view part : split(option.value, '|')) {
    if (part == "FOLDER") offer = Offer::kFolders;
    if (files.contains(part)) offer = Offer::kFiles;
  }
  return offer;
}

/// Calls `visit` with every command, its words below the program joined by a blank.
template <class Visit>
void visit_commands(const CommandEntry& command, const std::string& path, const Visit& visit) {
  visit(command, path);
  for (const CommandEntry& below : command.commands) {
    visit_commands(
        below, path.empty() ? below.words.back() : path + " " + below.words.back(), visit);
  }
}

std::string bash_values(const OptionEntry& option) {
  const Offer offer = offer_of(option);
  std::string what = "return";
  if (!option.choices.empty()) {
    what = fmt::format("COMPREPLY=($(compgen -W '{}' -- \"$current\"))",
                       fmt::join(option.choices, " "));
    // The shell offers files itself where it is offered nothing.
    if (offer == Offer::kNothing) what = "compopt +o default; " + what;
  } else if (offer == Offer::kFolders) {
    what = "compopt -o filenames; COMPREPLY=($(compgen -d -- \"$current\"))";
  } else if (offer == Offer::kNothing) {
    what = "compopt +o default";
  }
  return what;
}

/// A word in single quotes, for zsh.
std::string single_quoted(std::string_view text) {
  std::string result = "'";
  for (const char c : text) {
    if (c == '\'') {
      result += "'\\''";
    } else {
      result += c;
    }
  }
  return result + "'";
}

/// Text within [] or between : of zsh's _arguments and _describe.
std::string described(std::string_view text) {
  std::string result;
  for (const char c : text) {
    if (c == '[' || c == ']' || c == ':' || c == '\\') result += '\\';
    result += c;
  }
  return result;
}

std::string zsh_action(const OptionEntry& option) {
  if (!option.choices.empty()) return fmt::format("({})", fmt::join(option.choices, " "));
  switch (offer_of(option)) {
    case Offer::kFiles:
      return "_files";
    case Offer::kFolders:
      return "_files -/";
    case Offer::kNothing:
      break;
  }
  return " ";
}

/// A word in single quotes, for fish.
std::string fish_quoted(std::string_view text) {
  std::string result = "'";
  for (const char c : text) {
    if (c == '\'' || c == '\\') result += '\\';
    result += c;
  }
  return result + "'";
}

/// What fish offers behind an option: -r a value, -f no files, -x both.
std::string fish_values(const OptionEntry& option) {
  if (option.value.empty()) return " -f";
  const Offer offer = offer_of(option);
  if (!option.choices.empty()) {
    return fmt::format(" {} -a {}",
                       offer == Offer::kNothing ? "-x" : "-r",
                       fish_quoted(fmt::format("{}", fmt::join(option.choices, " "))));
  }
  switch (offer) {
    case Offer::kFiles:
      return " -r -F";
    case Offer::kFolders:
      return " -x -a '(__fish_complete_directories)'";
    case Offer::kNothing:
      break;
  }
  return " -x";
}

/// How fish knows an option: `-s o -l output`.
std::string fish_names(const OptionEntry& option) {
  std::string text;
  for (const std::string& name : option.names) {
    text += name.starts_with("--") ? " -l " + name.substr(2) : " -s " + name.substr(1);
  }
  return text;
}

std::string zsh_options(const CommandEntry& command) {
  std::string text;
  for (const OptionGroup& group : command.groups) {
    for (const OptionEntry& option : group.options) {
      for (const std::string& name : option.names) {
        std::string spec =
            fmt::format("{}{}[{}]", option.may_repeat ? "*" : "", name, described(option.text));
        if (!option.value.empty()) {
          spec += fmt::format(":{}:{}", described(shown_value(option)), zsh_action(option));
        }
        text += fmt::format(" \\\n        {}", single_quoted(spec));
      }
    }
  }
  return text;
}

std::string zsh_commands(const CommandEntry& command) {
  std::string text;
  for (const CommandEntry& below : command.commands) {
    const std::string entry = fmt::format("{}:{}", below.words.back(), described(below.summary));
    text += fmt::format("\n        {}", single_quoted(entry));
  }
  return text;
}

}  // namespace

std::string bash_completion(const CommandEntry& program) {
  std::string commands;
  std::string values;
  std::string names;
  visit_commands(program, "", [&](const CommandEntry& command, const std::string& path) {
    std::vector<std::string> words;
    for (const CommandEntry& below : command.commands) {
      commands += fmt::format("            '{}/{}') command='{}' ;;\n",
                              path,
                              below.words.back(),
                              path.empty() ? below.words.back() : path + " " + below.words.back());
      words.push_back(below.words.back());
    }
    std::vector<std::string> options;
    for (const OptionGroup& group : command.groups) {
      for (const OptionEntry& option : group.options) {
        for (const std::string& name : option.names) {
          options.push_back(name);
          if (option.value.empty()) continue;
          values +=
              fmt::format("        '{}:{}') {}; return ;;\n", path, name, bash_values(option));
        }
      }
    }
    names += fmt::format("        '{}') words='{}' options='{}' ;;\n",
                         path,
                         fmt::join(words, " "),
                         fmt::join(options, " "));
  });
  return fmt::format(R"(# bash completion for trueplate; made from its own help
_trueplate() {{
    local current=${{COMP_WORDS[COMP_CWORD]}} before=${{COMP_WORDS[COMP_CWORD-1]}}
    local command='' words='' options='' i
    for ((i = 1; i < COMP_CWORD; i++)); do
        case "$command/${{COMP_WORDS[i]}}" in
{}        esac
    done
    COMPREPLY=()
    case "$command:$before" in
{}    esac
    case "$command" in
{}    esac
    if [[ $current == -* ]]; then
        compopt +o default
        COMPREPLY=($(compgen -W "$options" -- "$current"))
    elif [[ -n $words ]]; then
        compopt +o default
        COMPREPLY=($(compgen -W "$words" -- "$current"))
    fi
}}
complete -o default -F _trueplate trueplate
)",
                     commands,
                     values,
                     names);
}

std::string fish_completion(const CommandEntry& program) {
  std::string steps;
  std::string lines;
  visit_commands(program, "", [&](const CommandEntry& command, const std::string& path) {
    const std::string at =
        fmt::format("complete -c trueplate -n {}",
                    fish_quoted(fmt::format("test \"$(__trueplate_command)\" = \"{}\"", path)));
    if (!command.commands.empty()) lines += at + " -f\n";  // a command comes first, not a file
    for (const CommandEntry& below : command.commands) {
      const std::string& word = below.words.back();
      const std::string found = path.empty() ? word : path + " " + word;
      steps += fmt::format(
          "            case '{}/{}'\n                set command '{}'\n", path, word, found);
      lines += fmt::format("{} -a {} -d {}\n", at, word, fish_quoted(below.summary));
    }
    for (const OptionGroup& group : command.groups) {
      for (const OptionEntry& option : group.options) {
        lines += fmt::format("{}{}{} -d {}\n",
                             at,
                             fish_names(option),
                             fish_values(option),
                             fish_quoted(option.text));
      }
    }
  });
  return fmt::format(R"(# fish completion for trueplate; made from its own help
function __trueplate_command
    set -l command ''
    for word in (commandline -opc)[2..-1]
        switch "$command/$word"
{}        end
    end
    echo $command
end
{})",
                     steps,
                     lines);
}

std::string zsh_completion(const CommandEntry& program) {
  std::string cases;
  for (const CommandEntry& command : program.commands) {
    std::string below;
    for (const CommandEntry& second : command.commands) {
      below += fmt::format("      {})\n        _arguments{} '*:file:_files' ;;\n",
                           second.words.back(),
                           zsh_options(second));
    }
    if (below.empty()) {
      cases += fmt::format("    {})\n      _arguments{} '*:file:_files' ;;\n",
                           command.words.back(),
                           zsh_options(command));
      continue;
    }
    cases += fmt::format(
        "    {0})\n      commands=({1})\n      _arguments -C{2} '1: :->second' '*:: :->third'\n"
        "      case $state in\n      second) _describe command commands ;;\n      third)\n"
        "      case $words[1] in\n{3}      esac ;;\n      esac ;;\n",
        command.words.back(),
        zsh_commands(command),
        zsh_options(command),
        below);
  }
  return fmt::format(R"(#compdef trueplate
# made from the program's own help
_trueplate() {{
  local curcontext=$curcontext state line
  local -a commands
  typeset -A opt_args
  commands=({})
  _arguments -C{} '1: :->command' '*:: :->rest'
  case $state in
  command) _describe command commands ;;
  rest)
    case $words[1] in
{}    esac ;;
  esac
}}
_trueplate "$@"
)",
                     zsh_commands(program),
                     zsh_options(program),
                     cases);
}

}  // namespace trueplate::cli
