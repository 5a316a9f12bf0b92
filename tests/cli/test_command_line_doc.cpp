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

std::set<std::string> commands_in_help() {
  const std::string help = run_trueplate({"--help"}).output;
  std::set<std::string> found;
  std::istringstream lines(help.substr(help.find("Subcommands:")));
  const std::regex command(R"(^  ([a-z]+) .*)");
  for (std::string line; std::getline(lines, line);) {
    std::smatch match;
    if (std::regex_match(line, match, command)) found.insert(match[1]);
  }
  return found;
}

}  // namespace

TEST_CASE("every command and option of the program is documented, and no other") {
  const auto documented = sections();
  const std::set<std::string> common = options_in(documented.at("Common to all"));
  CHECK(common.contains("--json"));
  const std::set<std::string> commands = commands_in_help();
  REQUIRE(commands.size() >= 7);
  for (const std::string& command : commands) {
    CAPTURE(command);
    REQUIRE(documented.contains(command));
    std::set<std::string> in_help = options_in(run_trueplate({command, "--help"}).output);
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
