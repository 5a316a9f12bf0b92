// docs/command-line.md and the program's own help name the same commands and the same options.

#include <doctest/doctest.h>

#include <fstream>
#include <iterator>
#include <map>
#include <regex>
#include <set>
#include <sstream>
#include <string>

#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

namespace {

using trueplate::tests::run_trueplate;

std::set<std::string> options_in(const std::string& text) {
  std::set<std::string> found;
  const std::regex option(R"((?:^|[\s,`\[|])(--[a-z][a-z-]*))");
  for (std::sregex_iterator it(text.begin(), text.end(), option), end; it != end; ++it) {
    found.insert((*it)[1]);
  }
  found.erase("--help");
  found.erase("--version");
  return found;
}

/// Section text of docs/command-line.md by its heading.
std::map<std::string, std::string> sections() {
  std::ifstream file(trueplate::tests::test_data_folder().parent_path().parent_path() / "docs" /
                     "command-line.md");
  std::map<std::string, std::string> found;
  std::string current;
  for (std::string line; std::getline(file, line);) {
    if (line.starts_with("## ")) {
      current = line.substr(3);
    } else if (!current.empty()) {
      found[current] += line + "\n";
    }
  }
  return found;
}

/// The commands that a help text lists; none where it lists none.
std::set<std::string> commands_in(const std::string& help) {
  std::set<std::string> found;
  const std::size_t list = help.find("Usage:");
  if (list == std::string::npos) return found;
  std::istringstream lines(help.substr(list));
  const std::regex command(R"(^  ([a-z]+)  .*)");
  for (std::string line; std::getline(lines, line);) {
    std::smatch match;
    if (std::regex_match(line, match, command)) found.insert(match[1]);
  }
  return found;
}

/// The options of a command and of those below it.
std::set<std::string> options_of(const std::string& command) {
  const std::string help = run_trueplate({command, "--help"}).output;
  std::set<std::string> options = options_in(help);
  for (const std::string& below : commands_in(help)) {
    options.merge(options_in(run_trueplate({command, below, "--help"}).output));
  }
  return options;
}

}  // namespace

TEST_CASE("every command and option of the program is documented, and no other") {
  const auto documented = sections();
  const std::set<std::string> common = options_in(documented.at("Common to all"));
  CHECK(common.contains("--json"));
  const std::set<std::string> commands = commands_in(run_trueplate({"--help"}).output);
  REQUIRE(commands.size() >= 7);
  for (const std::string& command : commands) {
    CAPTURE(command);
    REQUIRE(documented.contains(command));
    std::set<std::string> in_help = options_of(command);
    for (const std::string& option : common) {
      if (option == "--frames") continue;  // described once, present where FRAMES are
      CHECK(in_help.contains(option));
      in_help.erase(option);
    }
    std::set<std::string> in_docs = options_in(documented.at(command));
    // Where a command's text mentions a common option again, that is no contradiction.
    for (const std::string& option : common) in_docs.erase(option);
    in_help.erase("--frames");
    CHECK(in_help == in_docs);
  }
}
