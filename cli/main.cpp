#include <fmt/format.h>
#include <glog/logging.h>
#include <malloc.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <exception>
#include <string>
#include <system_error>
#include <vector>

#include "calib/base/utf8.h"
#include "cli/command.h"
#include "cli/commands/commands.h"
#include "cli/help/documents.h"
#include "cli/help/reference.h"
#include "cli/help/spelling.h"
#include "cli/help/text.h"
#include "cli/terminal.h"
#include "cli/version.h"

namespace {

using namespace trueplate::cli;

constexpr std::string_view kMeasure = "Measure a lens";
constexpr std::string_view kLook = "Look at it, keep it";
constexpr std::string_view kUse = "Straighten and bend";
constexpr std::string_view kMaps = "Maps and formats";
constexpr bool kStopsItself = true;

constexpr std::array kCommands{
    Command{"chart",
            kMeasure,
            "draw a chart to print or show at true size, and its description",
            &add_chart,
            kStopsItself},
    Command{"demo",
            kMeasure,
            "write synthetic chart footage, a plate and CG with known lenses",
            &add_demo,
            kStopsItself},
    Command{"detect",
            kMeasure,
            "find the chart in frames, write observations",
            &add_detect,
            kStopsItself},
    Command{"calibrate",
            kMeasure,
            "fit the lens to chart frames, write its profile",
            &add_calibrate,
            kStopsItself},
    Command{"lines",
            kMeasure,
            "fit the lens to straight edges, without a chart",
            &add_lines,
            kStopsItself},
    Command{"gather",
            kMeasure,
            "put calibrations of one lens together: a zoom, a focus pull",
            &add_gather},
    Command{"state", kMeasure, "the lens at one focal length and focus, as a profile", &add_state},
    Command{"info", kLook, "tell what a profile holds, in words", &add_info},
    Command{"report",
            kLook,
            "what a lens is worth: a page to look at, or a sheet to print",
            &add_report,
            kStopsItself},
    Command{"compare", kLook, "two profiles or two ST-maps, in pixels", &add_compare},
    Command{"archive",
            kLook,
            "the catalogue of lenses: file, find, get, check",
            &add_archive,
            kStopsItself},
    Command{"undistort", kUse, "straighten plates", &add_undistort, kStopsItself},
    Command{"redistort",
            kUse,
            "bend straight renders back to match the plate",
            &add_redistort,
            kStopsItself},
    Command{"handoff", kUse, "the numbers for solve, render and comp", &add_handoff},
    Command{"points", kUse, "move 2D points and tracks through the lens", &add_points},
    Command{"solve", kUse, "solve the camera of 2D tracks, with and without the lens", &add_solve},
    Command{"stmap", kMaps, "write undistort and redistort ST-maps", &add_stmap, kStopsItself},
    Command{
        "apply", kMaps, "move pictures through an ST-map from anywhere", &add_apply, kStopsItself},
    Command{"invert", kMaps, "write the ST-map that undoes another", &add_invert},
    Command{"reformat", kMaps, "make an ST-map fit another size or a crop", &add_reformat},
    Command{"convert",
            kMaps,
            "lens profiles from ST-maps, and to and from other formats",
            &add_convert},
};

void add_common(CLI::App& app, CommonOptions& common) {
  app.get_help_ptr()->group(kCommonGroup);
  const OptionsUnder heading(app, kCommonGroup);
  app.add_option(
         "--json", common.json, "write the result for machines to FILE (- for standard output)")
      ->type_name("FILE");
  app.add_flag("--quiet", common.quiet, "print nothing but failures");
  app.add_flag("--progress", common.progress, "show progress even when not on a terminal");
  app.add_flag("--overwrite", common.overwrite, "replace outputs that exist");
  app.add_option("--threads", common.threads, "number of threads; 0 means all cores")
      ->check(CLI::Range(0, 1024))
      ->type_name("N");
}

std::string one_line(std::string text) {
  std::replace(text.begin(), text.end(), '\n', ' ');
  return text;
}

std::vector<std::string> names_below(const CLI::App& app) {
  std::vector<std::string> names;
  for (const CLI::App* command : app.get_subcommands({})) names.push_back(command->get_name());
  return names;
}

std::vector<std::string> option_names(const CLI::App& app) {
  std::vector<std::string> names;
  for (const CLI::Option* option : app.get_options()) {
    for (const std::string& name : option->get_lnames()) names.push_back("--" + name);
  }
  return names;
}

/// The refusal of a word in the place of a command; empty when it is one, or an option.
std::string unknown_command(const CLI::App& app, std::string_view word) {
  const std::vector<std::string> known = names_below(app);
  if (known.empty() || word.starts_with('-') ||
      std::find(known.begin(), known.end(), word) != known.end()) {
    return {};
  }
  // Words that other programs have for a command of another name here.
  constexpr std::array<std::pair<std::string_view, std::string_view>, 3> kOtherWords{
      {{"list", "find"}, {"search", "find"}, {"ls", "find"}}};
  std::vector<std::string> meant_words = known;
  if (app.get_parent() == nullptr) meant_words.emplace_back("help");
  std::string near = meant(word, meant_words);
  for (const auto& [other, name] : kOtherWords) {
    const bool is_known = std::find(known.begin(), known.end(), name) != known.end();
    if (near.empty() && word == other && is_known) near = fmt::format("; did you mean '{}'?", name);
  }
  // Where one is suggested the others would drown it.
  return fmt::format("unknown command '{}'{}",
                     trueplate::printable(word),
                     near.empty() ? fmt::format("; known: {}", fmt::join(known, ", ")) : near);
}

/// `trueplate archive find`.
std::string full_name(const CLI::App& command) {
  const CLI::App* parent = command.get_parent();
  return parent == nullptr ? std::string("trueplate")
                           : full_name(*parent) + " " + command.get_name();
}

/// Options that may stand behind a command: its own, and those of the commands it stands below,
/// where it lets them follow.
std::vector<std::string> options_behind(const CLI::App& command) {
  std::vector<std::string> names = option_names(command);
  const CLI::App* parent = command.get_parent();
  if (parent == nullptr || !command.get_fallthrough()) return names;
  const std::vector<std::string> above = options_behind(*parent);
  names.insert(names.end(), above.begin(), above.end());
  return names;
}

/// Words that no command took, the innermost one's first.
std::vector<std::string> words_left(const CLI::App& command) {
  std::vector<std::string> words = command.remaining(true);
  if (command.get_parent() == nullptr) return words;
  const std::vector<std::string> above = words_left(*command.get_parent());
  words.insert(words.end(), above.begin(), above.end());
  return words;
}

/// The refusal of a command line without a command, or with one that needs another below it.
std::string no_command(const CLI::App& command) {
  if (command.get_parent() == nullptr) return "no command; trueplate alone lists them";
  return fmt::format("say what to do: {}; see {} --help",
                     fmt::join(names_below(command), ", "),
                     full_name(command));
}

std::string help_of(const CLI::App& command) {
  return fmt::format("see {} --help", full_name(command));
}

/// The refusal of an option that took the next one for its value; empty where none did.
std::string swallowed(const CLI::App& command) {
  const auto is_option = [&](const std::string& word) {
    if (!word.starts_with('-')) return false;
    const CLI::App* app = &command;
    while (app != nullptr && app->get_option_no_throw(word) == nullptr) app = app->get_parent();
    return app != nullptr;
  };
  for (const CLI::App* app = &command; app != nullptr; app = app->get_parent()) {
    for (const CLI::Option* option : app->get_options()) {
      for (const std::string& value : option->results()) {
        if (!is_option(value)) continue;
        return fmt::format("{} is followed by the option {}, wanted its value; {}",
                           option->get_name(),
                           value,
                           help_of(command));
      }
    }
  }
  return {};
}

/// What is wrong with a command line, and what was probably meant.
std::string refusal_of(const CLI::ParseError& error, const CLI::App& command) {
  if (std::string text = swallowed(command); !text.empty()) return text;
  const std::string help = help_of(command);
  for (const std::string& word : words_left(command)) {
    if (std::string text = unknown_command(command, word); !text.empty()) return text;
    if (!word.starts_with('-')) continue;
    const std::string name = word.substr(0, word.find('='));
    const std::string near = meant(name, options_behind(command));
    return fmt::format(
        "unknown option {}{} {}", trueplate::printable(name), near.empty() ? ";" : near, help);
  }
  const std::string said = one_line(error.what());
  if (error.get_name() == "RequiredError" && !command.get_subcommands({}).empty() &&
      command.get_subcommands().empty()) {
    return no_command(command);
  }
  // "--output: 1 required FILE missing"
  if (const std::size_t at = said.find(": 1 required ");
      error.get_name() == "ArgumentMismatch" && at != std::string::npos) {
    const std::string option = said.substr(0, at);
    return fmt::format("{} is followed by nothing, wanted its value; {}", option, help);
  }
  return fmt::format("{}; {}", said, help);
}

/// The innermost command that was read.
const CLI::App& innermost(const CLI::App& app) {
  const std::vector<CLI::App*> parsed = app.get_subcommands();
  return parsed.empty() ? app : innermost(*parsed.back());
}

int write_reference(const CLI::App& app, const std::string& folder) {
  const trueplate::Result<void> written = write_documents(reference_of(app), folder);
  return written ? static_cast<int>(kDone) : report_failure(written.error());
}

/// `help`, `help archive find`: the same as --help behind the other words.
std::vector<std::string> without_help_word(int argc, char** argv) {
  std::vector<std::string> words(argv + std::min(argc, 1), argv + argc);
  if (words.empty() || words.front() != "help") return words;
  words.erase(words.begin());
  words.emplace_back("--help");
  return words;
}

/// What is there, for someone who named nothing.
int list_commands(const CLI::App& app) {
  const std::string list = command_list(reference_of(app), terminal_width(Stream::kErrors));
  fmt::print(
      stderr, "trueplate: no command; trueplate COMMAND --help tells about one of these\n{}", list);
  return kUsage;
}

int run(int argc, char** argv) {
  CLI::App app("measure lens distortion, straighten plates, bend CG back", "trueplate");
  app.formatter_fn([](const CLI::App* asked, const std::string&, CLI::AppFormatMode) {
    return help_text(reference_of(*asked), terminal_width(Stream::kOutput));
  });
  app.set_help_flag("-h,--help", "tell about the command, and end");
  app.set_version_flag(
      "-V,--version", fmt::format("trueplate {}", kVersion), "tell the version, and end");
  app.require_subcommand(1);
  app.failure_message(CLI::FailureMessage::simple);
  CommonOptions common;
  std::array<Action, kCommands.size()> actions;
  std::array<CLI::App*, kCommands.size()> apps{};
  for (std::size_t i = 0; i < kCommands.size(); ++i) {
    apps[i] = app.add_subcommand(std::string(kCommands[i].name), std::string(kCommands[i].summary));
    apps[i]->group(std::string(kCommands[i].group));
    actions[i] = kCommands[i].add(*apps[i]);
    add_common(*apps[i], common);
  }
  // Manual pages and completions are made of the declarations above; the build calls this.
  if (argc == 3 && std::string_view(argv[1]) == "--write-reference")
    return write_reference(app, argv[2]);
  std::vector<std::string> words = without_help_word(argc, argv);
  if (words.empty()) return list_commands(app);
  if (const std::string refusal = unknown_command(app, words.front()); !refusal.empty()) {
    return report_usage({trueplate::ErrorCode::kInvalidInput, refusal});
  }
  try {
    std::reverse(words.begin(), words.end());  // as the library wants them
    app.parse(words);
  } catch (const CLI::ParseError& error) {
    if (error.get_exit_code() == 0) return app.exit(error);  // --help, --version
    for (std::size_t i = 0; i < kCommands.size(); ++i) {
      if (apps[i]->parsed()) set_command_name(kCommands[i].name);
    }
    return report_usage({trueplate::ErrorCode::kInvalidInput, refusal_of(error, innermost(app))});
  }
  for (std::size_t i = 0; i < kCommands.size(); ++i) {
    if (!apps[i]->parsed()) continue;
    set_command_name(kCommands[i].name);
    if (const std::string refusal = swallowed(innermost(app)); !refusal.empty()) {
      return report_usage({trueplate::ErrorCode::kInvalidInput, refusal});
    }
    if (!kCommands[i].stops_itself) end_on_interrupt();
    return actions[i](common);
  }
  return kUsage;
}

/// Memory that is freed stays with the process. Codecs allocate and free megabytes for every few
/// rows of a frame; by default much of it goes back to the system each time, which clears it page
/// by page when it is asked for again: with piz that cost a third of reading and writing a frame.
void keep_freed_memory() {
#ifdef __GLIBC__
  constexpr int kLargestBlock = 32 << 20;  // the most that is possible; larger ones are pictures
  constexpr int kMostKept = 256 << 20;     // at the top of a heap
  mallopt(M_MMAP_THRESHOLD, kLargestBlock);
  mallopt(M_TRIM_THRESHOLD, kMostKept);
#endif
}

}  // namespace

int main(int argc, char** argv) {
  keep_freed_memory();
  install_interrupt_handler();
  // What the solver writes there about a step that failed and was repeated is of no use to anybody.
  FLAGS_minloglevel = google::GLOG_FATAL;
  try {
    const int status = run(argc, argv);
    const bool flushed = std::fflush(stdout) == 0 && std::ferror(stdout) == 0;
    if (!flushed && status == kDone) {
      std::fputs("trueplate: standard output could not be written\n", stderr);
      return kFailed;
    }
    return status;
  } catch (const std::bad_alloc&) {
    std::fputs(
        "trueplate: not enough memory; smaller pictures, or fewer --threads and --in-flight, need "
        "less\n",
        stderr);
  } catch (const std::system_error& error) {
    fmt::print(stderr, "trueplate: output could not be written: {}\n", error.what());
  } catch (const std::exception& error) {
    fmt::print(stderr, "trueplate: unexpected failure: {}\n", error.what());
  }
  return kFailed;
}
