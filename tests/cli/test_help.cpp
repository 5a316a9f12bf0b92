// What the program says of itself: help pages, manual pages, completions, near spellings, colours.

#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <regex>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "tests/cli/run_program.h"

namespace {

namespace fs = std::filesystem;
using trueplate::tests::ProgramResult;
using trueplate::tests::run_program;
using trueplate::tests::run_trueplate;
using trueplate::tests::trueplate_program;

/// What the build made of the declarations.
fs::path reference() { return fs::path(trueplate_program()).parent_path() / "reference"; }

std::string text_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines;
  std::istringstream stream(text);
  for (std::string line; std::getline(stream, line);) lines.push_back(line);
  return lines;
}

std::set<std::string> options_in(const std::string& text) {
  std::set<std::string> found;
  const std::regex option(R"((--[a-z][a-z-]*))");
  for (std::sregex_iterator it(text.begin(), text.end(), option), end; it != end; ++it) {
    found.insert((*it)[1]);
  }
  return found;
}

/// Those that begin a row of a help page.
std::set<std::string> declared_in(const std::string& help) {
  std::set<std::string> found;
  for (const std::string& line : lines_of(help)) {
    if (line.starts_with("  -")) found.merge(options_in(line.substr(0, line.find("  ", 3))));
  }
  return found;
}

/// The words of every command, `archive find` as two.
std::vector<std::vector<std::string>> commands() {
  const std::regex row(R"(^  ([a-z]+)  .*)");
  const auto rows = [&](const std::vector<std::string>& words) {
    std::vector<std::string> arguments = words;
    arguments.emplace_back("--help");
    std::vector<std::vector<std::string>> found;
    for (const std::string& line : lines_of(run_trueplate(arguments).output)) {
      std::smatch match;
      if (!std::regex_match(line, match, row)) continue;
      found.push_back(words);
      found.back().push_back(match[1]);
    }
    return found;
  };
  std::vector<std::vector<std::string>> all;
  for (const auto& words : rows({})) {
    all.push_back(words);
    if (words.front() != "archive") continue;
    for (const auto& below : rows(words)) all.push_back(below);
  }
  return all;
}

std::string manual_of(const std::vector<std::string>& words) {
  std::string name = "trueplate";
  for (const std::string& word : words) name += "-" + word;
  return text_of(reference() / "man" / "man1" / (name + ".1"));
}

/// What bash offers behind these words; the last one is being typed.
std::set<std::string> completed(const std::string& words) {
  const ProgramResult result =
      run_program("bash",
                  {"-c",
                   // Outside of a real completion there are no options of it to set.
                   "compopt() { :; }; source '" +
                       (reference() / "bash-completion" / "completions" / "trueplate").string() +
                       "'; COMP_WORDS=(" + words +
                       "); COMP_CWORD=$((${#COMP_WORDS[@]} - 1)); _trueplate; printf '%s\\n' "
                       "\"${COMPREPLY[@]}\""});
  CHECK(result.errors == "");
  std::set<std::string> offered;
  for (const std::string& line : lines_of(result.output)) {
    if (!line.empty()) offered.insert(line);
  }
  return offered;
}

/// Runs a line of the shell on a pseudo-terminal of script(1), util-linux.
std::string on_terminal(const std::string& line) {
  return run_program("script", {"-qec", line, "/dev/null"}).output;
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("every command has a page with examples, exit statuses, and no line beyond 80 columns") {
  REQUIRE(commands().size() == 28);
  for (std::vector<std::string> words : commands()) {
    CAPTURE(words.back());
    words.emplace_back("--help");
    const ProgramResult help = run_trueplate(words);
    CHECK(help.status == 0);
    for (const char* part :
         {"Usage: trueplate ", "\nExamples\n", "\nExit status\n", "\nRead on\n"}) {
      CAPTURE(part);
      CHECK(has(help.output, part));
    }
    CHECK_FALSE(has(help.output, ":INT"));
    CHECK(has(help.output, "\n  --quiet   "));  // flags take no value
    for (const std::string& line : lines_of(help.output)) {
      CAPTURE(line);
      // A single word may be longer: it is pasted as a whole.
      CHECK(
          (line.size() <= 80 || line.find(' ', line.find_first_not_of(' ')) == std::string::npos));
    }
    // The page of `archive` shows commands whose options are on their own pages.
    if (has(help.output, " COMMAND [options]\n")) continue;
    const std::size_t examples = help.output.find("\nExamples\n");
    const std::size_t end = help.output.find("\n\n", examples + 1);
    const std::set<std::string> declared = declared_in(help.output);
    for (const std::string& option : options_in(help.output.substr(examples, end - examples))) {
      CAPTURE(option);
      CHECK(declared.contains(option));
    }
  }
}

TEST_CASE("manual pages hold every option of the help, and groff has nothing to warn of") {
  const bool can_check = run_program("groff", {"--version"}).status == 0;
  if (!can_check) MESSAGE("skipped: groff is not installed");
  for (std::vector<std::string> words : commands()) {
    CAPTURE(words.back());
    std::string manual = manual_of(words);
    REQUIRE_FALSE(manual.empty());
    manual = std::regex_replace(manual, std::regex(R"(\\-)"), "-");
    words.emplace_back("--help");
    const std::set<std::string> declared = declared_in(run_trueplate(words).output);
    CHECK(declared.size() >= 6);
    const std::set<std::string> written = options_in(manual);
    for (const std::string& option : declared) {
      CAPTURE(option);
      CHECK(written.contains(option));
    }
  }
  if (!can_check) return;
  for (const auto& entry : fs::directory_iterator(reference() / "man" / "man1")) {
    CAPTURE(entry.path().string());
    const ProgramResult result =
        run_program("groff", {"-ww", "-man", "-Tascii", "-z", entry.path().string()});
    CHECK(result.status == 0);
    CHECK(result.errors == "");
  }
}

TEST_CASE("bash completes commands, options and the words that options take") {
  CHECK(completed("trueplate undi") == std::set<std::string>{"undistort"});
  CHECK(completed("trueplate archive ver") == std::set<std::string>{"verify"});
  CHECK(completed("trueplate undistort lens.json --fil") == std::set<std::string>{"--filter"});
  CHECK(completed("trueplate undistort lens.json --filter ''") ==
        std::set<std::string>{"bilinear", "cubic", "lanczos", "area"});
  CHECK(completed("trueplate calibrate --model cylin") ==
        std::set<std::string>{"cylindrical-2", "cylindrical-3"});
  // A file: left to the shell.
  CHECK(completed("trueplate info le").empty());
  for (std::vector<std::string> words : commands()) {
    std::string line = "trueplate";
    for (const std::string& word : words) line += " " + word;
    CAPTURE(line);
    const std::set<std::string> offered = completed(line + " -");
    words.emplace_back("--help");
    for (const std::string& option : declared_in(run_trueplate(words).output)) {
      CAPTURE(option);
      CHECK(offered.contains(option));
    }
  }
}

TEST_CASE("fish completes the same, where it is installed") {
  if (run_program("fish", {"--version"}).status != 0) {
    MESSAGE("skipped: fish is not installed");
    return;
  }
  const std::string script =
      (reference() / "fish" / "vendor_completions.d" / "trueplate.fish").string();
  const auto offered = [&](const std::string& line) {
    const ProgramResult result = run_program(
        "fish",
        {"--no-config", "-c", "source $argv[1]; complete --do-complete=$argv[2]", script, line});
    CHECK(result.errors == "");
    std::set<std::string> words;
    for (const std::string& found : lines_of(result.output)) {
      words.insert(found.substr(0, found.find('\t')));
    }
    return words;
  };
  CHECK(offered("trueplate undi") == std::set<std::string>{"undistort"});
  CHECK(offered("trueplate archive ver") == std::set<std::string>{"verify"});
  CHECK(offered("trueplate undistort lens.json --fil") == std::set<std::string>{"--filter"});
  CHECK(offered("trueplate undistort lens.json --filter ") ==
        std::set<std::string>{"bilinear", "cubic", "lanczos", "area"});
  for (std::vector<std::string> words : commands()) {
    std::string line = "trueplate";
    for (const std::string& word : words) line += " " + word;
    CAPTURE(line);
    const std::set<std::string> found = offered(line + " --");
    words.emplace_back("--help");
    for (const std::string& option : declared_in(run_trueplate(words).output)) {
      CAPTURE(option);
      if (option.starts_with("--")) CHECK(found.contains(option));
    }
  }
}

TEST_CASE("zsh takes its completion, where it is installed") {
  const ProgramResult result = run_program(
      "zsh", {"-n", (reference() / "zsh" / "vendor-completions" / "_trueplate").string()});
  if (result.status == 127) {
    MESSAGE("skipped: zsh is not installed");
    return;
  }
  CHECK(result.status == 0);
  CHECK(result.errors == "");
}

TEST_CASE("what is not known is refused with the near spelling") {
  struct Slip {
    std::vector<std::string> arguments;
    std::string meant;
  };
  const std::vector<Slip> slips{
      {{"undistrot", "lens.json"}, "did you mean 'undistort'?"},
      {{"calib"}, "did you mean 'calibrate'?"},
      {{"hlep"}, "did you mean 'help'?"},
      {{"compare", "a.json", "b.json", "--json", "--quiet"},
       "--json is followed by the option --quiet, wanted its value; see trueplate compare --help"},
      {{"calibrate", "a.csv", "--json", "-o", "z.json"},
       "--json is followed by the option -o, wanted its value"},
      {{"archive", "find", "--body", "--quiet"}, "--body is followed by the option --quiet"},
      {{"archive", "serch"}, "known: add, find"},
      {{"archive", "hstory"}, "did you mean 'history'?"},
      {{"archive"}, "say what to do: add, find, show, get, history, export, verify"},
      {{"archive", "find", "--boddy", "X"},
       "unknown option --boddy; did you mean '--body'? see trueplate archive find --help"},
      {{"archive", "find", "--archiv", "X"}, "did you mean '--archive'?"},
      {{"archive", "find", "--quite"}, "did you mean '--quiet'?"},
      {{"archive", "get", "1", "--archive", "a", "--output"},
       "--output is followed by nothing, wanted its value; see trueplate archive get --help"},
      {{"undistort", "lens.json", "a.exr", "-o", "b.exr", "--fitler", "cubic"},
       "unknown option --fitler; did you mean '--filter'?"},
      {{"undistort", "lens.json", "a.exr", "-o", "b.exr", "--filter", "cubik"},
       "--filter: unknown word 'cubik'; did you mean 'cubic'?"},
      {{"calibrate", "a.csv", "-o", "b.json", "--model", "radial-tangental"},
       "did you mean 'radial-tangential'?"},
      {{"calibrate", "a.png", "--chart", "chekerboard"}, "did you mean 'checkerboard'?"},
      {{"detect", "a.png", "-o", "b.csv", "--pitch", "2mm", "--chart", "chekerboard"},
       "did you mean 'checkerboard'?"},
      {{"chart", "--kind", "dot", "--pitch", "2mm", "-o", "a.pdf"}, "did you mean 'dots'?"},
      {{"convert", "a.exr", "b.json", "--from", "opencb"}, "did you mean 'opencv'?"},
      {{"stmap", "a.json", "--compression", "zp"}, "did you mean 'zip'?"},
  };
  for (const Slip& slip : slips) {
    CAPTURE(slip.meant);
    const ProgramResult result = run_trueplate(slip.arguments);
    CHECK(result.status == 2);
    CHECK(result.output == "");
    CAPTURE(result.errors);
    CHECK(has(result.errors, slip.meant));
    CHECK(std::count(result.errors.begin(), result.errors.end(), '\n') == 1);
  }
  // Nothing is near.
  CHECK_FALSE(has(run_trueplate({"banana"}).errors, "did you mean"));
  // Where one is near the others are not told.
  CHECK_FALSE(has(run_trueplate({"undistrot"}).errors, "redistort"));
  CHECK(has(run_trueplate({"archive", "list"}).errors, "did you mean 'find'?"));
}

TEST_CASE("the list of commands for who names none, and help as a word") {
  const ProgramResult none = run_trueplate({});
  CHECK(none.status == 2);
  CHECK(none.output == "");
  CHECK(has(none.errors, "no command"));
  for (const std::vector<std::string>& words : commands()) {
    if (words.size() == 1) CHECK(has(none.errors, "\n  " + words.front() + " "));
  }
  const std::vector<std::vector<std::string>> asked{{}, {"undistort"}, {"archive", "find"}};
  for (std::vector<std::string> words : asked) {
    std::vector<std::string> help{"help"};
    help.insert(help.end(), words.begin(), words.end());
    words.emplace_back("--help");
    const ProgramResult result = run_trueplate(help);
    CHECK(result.status == 0);
    CHECK(result.output == run_trueplate(words).output);
  }
  CHECK(run_trueplate({"help", "banana"}).status == 2);
}

TEST_CASE("colours are for terminals, and not where NO_COLOR or TERM=dumb refuse them") {
  if (run_program("script", {"--version"}).status != 0) {
    MESSAGE("skipped: script(1) of util-linux is not installed");
    return;
  }
  const std::string refused = trueplate_program() + " undistrot";
  const std::string help = trueplate_program() + " --help";
  CHECK(has(on_terminal("env -u NO_COLOR TERM=xterm " + refused), "\x1b[1;31m"));
  CHECK(has(on_terminal("env -u NO_COLOR TERM=xterm " + help), "\x1b[1m"));
  // https://no-color.org: any value that is not empty.
  CHECK_FALSE(has(on_terminal("env NO_COLOR=1 TERM=xterm " + refused), "\x1b["));
  CHECK(has(on_terminal("env NO_COLOR= TERM=xterm " + refused), "\x1b["));
  CHECK_FALSE(has(on_terminal("env -u NO_COLOR TERM=dumb " + help), "\x1b["));
  CHECK_FALSE(has(run_trueplate({"--help"}).output, "\x1b["));
  CHECK_FALSE(has(run_trueplate({"undistrot"}).errors, "\x1b["));
  // As wide as the terminal, here 60 columns.
  for (const std::string& line : lines_of(on_terminal("stty cols 60; TERM=dumb " + help))) {
    CAPTURE(line);
    CHECK(line.size() <= 61);  // a terminal's lines end in CR LF
  }
  // So are messages, which are one line elsewhere; they go on indented.
  const std::string message = on_terminal("stty cols 60; NO_COLOR=1 TERM=xterm " + refused);
  CHECK(has(message, "\n    "));
  for (const std::string& line : lines_of(message)) {
    CAPTURE(line);
    CHECK(line.size() <= 61);
  }
}

TEST_CASE("--json - gives JSON alone on standard output, --quiet nothing, --progress its pace") {
  const trueplate::tests::ScratchFolder folder;
  const std::string demo = (folder.path() / "demo").string();
  const ProgramResult made =
      run_trueplate({"demo", "-o", demo, "--scale", "0.1", "--json", "-", "--progress"});
  REQUIRE(made.status == 0);
  const auto json = nlohmann::json::parse(made.output);
  CHECK("trueplate " + json["program"]["version"].get<std::string>() + "\n" ==
        run_trueplate({"--version"}).output);
  const std::vector<std::string> progress = lines_of(made.errors);
  REQUIRE_FALSE(progress.empty());
  for (const std::string& line : progress) {
    CAPTURE(line);
    CHECK(std::regex_match(
        line,
        std::regex(R"(demo \d+/\d+(, [0-9.e+]+(/s| s each)(, [0-9.]+ (s|min|h) left)?)?  .*)")));
  }
  const ProgramResult quiet =
      run_trueplate({"demo", "-o", demo, "--scale", "0.1", "--overwrite", "--quiet"});
  CHECK(quiet.status == 0);
  CHECK(quiet.output == "");
  CHECK(quiet.errors == "");
}

TEST_CASE("the program does not load what reads pictures and movies before it is needed") {
  // ld.so(8): prints what would be loaded, and ends.
  const ProgramResult loads =
      run_program("env", {"LD_TRACE_LOADED_OBJECTS=1", trueplate_program(), "--version"});
  REQUIRE(has(loads.output, "libc.so"));
  for (const char* library : {"libOpenImageIO", "libavcodec", "libavformat"}) {
    CAPTURE(library);
    CHECK_FALSE(has(loads.output, library));
  }
}
