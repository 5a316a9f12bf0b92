#include <fmt/format.h>
#include <glog/logging.h>
#include <malloc.h>

#include <algorithm>
#include <array>
#include <cstdio>
#include <exception>
#include <string>

#include "cli/command.h"
#include "cli/commands/commands.h"
#include "cli/version.h"

namespace {

using namespace trueplate::cli;

constexpr std::array kCommands{
    Command{"chart", "draw a chart to print or show at true size, and its description", &add_chart},
    Command{"demo", "write synthetic chart footage, a plate and CG with known lenses", &add_demo},
    Command{"detect", "find the chart in frames, write observations", &add_detect},
    Command{"calibrate", "fit the lens to chart frames, write its profile", &add_calibrate},
    Command{"info", "tell what a profile holds, in words", &add_info},
    Command{"gather", "put calibrations of one lens together: a zoom, a focus pull", &add_gather},
    Command{"state", "the lens at one focal length and focus, as a profile", &add_state},
    Command{"handoff", "the numbers for solve, render and comp", &add_handoff},
    Command{"stmap", "write undistort and redistort ST-maps", &add_stmap},
    Command{"undistort", "straighten plates", &add_undistort},
    Command{"redistort", "bend straight renders back to match the plate", &add_redistort},
    Command{"apply", "move pictures through an ST-map from anywhere", &add_apply},
    Command{"convert", "lens profiles from ST-maps, and to and from other formats", &add_convert},
    Command{"reformat", "make an ST-map fit another size or a crop", &add_reformat},
    Command{"invert", "write the ST-map that undoes another", &add_invert},
    Command{"compare", "two profiles or two ST-maps, in pixels", &add_compare},
    Command{"lines", "fit the lens to straight edges, without a chart", &add_lines},
    Command{"points", "move 2D points and tracks through the lens", &add_points},
    Command{"report", "what a lens is worth: a page to look at, or a sheet to print", &add_report},
    Command{"archive", "the catalogue of lenses: file, find, get, check", &add_archive},
    Command{"solve", "solve the camera of 2D tracks, with and without the lens", &add_solve},
};

void add_common(CLI::App& app, CommonOptions& common) {
  app.add_option(
         "--json", common.json, "write the result for machines to FILE (- for standard output)")
      ->type_name("FILE")
      ->group("Common options");
  app.add_flag("--quiet", common.quiet, "print nothing but failures")->group("Common options");
  app.add_flag("--progress", common.progress, "show progress even when not on a terminal")
      ->group("Common options");
  app.add_flag("--overwrite", common.overwrite, "replace outputs that exist")
      ->group("Common options");
  app.add_option("--threads", common.threads, "number of threads; 0 means all cores")
      ->check(CLI::Range(0, 1024))
      ->type_name("N")
      ->group("Common options");
}

std::string one_line(std::string text) {
  std::replace(text.begin(), text.end(), '\n', ' ');
  return text;
}

/// The refusal of a first word that is no command; empty when it is one, or an option.
std::string unknown_command(int argc, char** argv) {
  if (argc < 2 || argv[1][0] == '-') return {};
  std::string known;
  for (const Command& command : kCommands) {
    if (command.name == argv[1]) return {};
    known += known.empty() ? "" : ", ";
    known += command.name;
  }
  return fmt::format("unknown command '{}'; known: {}", argv[1], known);
}

int run(int argc, char** argv) {
  CLI::App app("Lens distortion for visual effects: calibrate, straighten plates, bend CG back.",
               "trueplate");
  app.set_version_flag("--version", fmt::format("trueplate {}", kVersion));
  app.require_subcommand(1);
  app.failure_message(CLI::FailureMessage::simple);
  CommonOptions common;
  std::array<Action, kCommands.size()> actions;
  std::array<CLI::App*, kCommands.size()> apps{};
  for (std::size_t i = 0; i < kCommands.size(); ++i) {
    apps[i] = app.add_subcommand(std::string(kCommands[i].name), std::string(kCommands[i].summary));
    actions[i] = kCommands[i].add(*apps[i]);
    add_common(*apps[i], common);
  }
  if (const std::string refusal = unknown_command(argc, argv); !refusal.empty()) {
    return report_usage({trueplate::ErrorCode::kInvalidInput, refusal});
  }
  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& error) {
    if (error.get_exit_code() == 0) return app.exit(error);  // --help, --version
    for (std::size_t i = 0; i < kCommands.size(); ++i) {
      if (apps[i]->parsed()) set_command_name(kCommands[i].name);
    }
    return report_usage({trueplate::ErrorCode::kInvalidInput,
                         fmt::format("{}; see --help", one_line(error.what()))});
  }
  for (std::size_t i = 0; i < kCommands.size(); ++i) {
    if (!apps[i]->parsed()) continue;
    set_command_name(kCommands[i].name);
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
    if (std::fflush(stdout) != 0 && status == kDone) {
      std::fputs("trueplate: standard output could not be written\n", stderr);
      return kFailed;
    }
    return status;
  } catch (const std::bad_alloc&) {
    std::fputs("trueplate: not enough memory; fewer --threads need less\n", stderr);
  } catch (const std::exception& error) {
    fmt::print(stderr, "trueplate: unexpected failure: {}\n", error.what());
  }
  return kFailed;
}
