#pragma once

#include <CLI/CLI.hpp>
#include <atomic>
#include <functional>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"

namespace trueplate::cli {

/// What the process returns.
enum ExitStatus : int {
  kDone = 0,
  kFailed = 1,  // could not be done; the reason is on standard error
  kUsage = 2,   // wrong command line
  kPartly = 3,  // some frames failed; each is named on standard error
  kInterrupted = 130,
};

/// Options that every command has.
struct CommonOptions {
  std::string json;  // file, or - for standard output; empty: none
  bool quiet = false;
  bool progress = false;
  bool overwrite = false;
  int threads = 0;

  [[nodiscard]] Overwrite overwrite_policy() const {
    return overwrite ? Overwrite::kAllow : Overwrite::kRefuse;
  }
};

/// One command of the program: its place on the command line and what runs when it is called.
/// `add` declares the options on `app` and returns the action, which yields the exit status.
using Action = std::function<int(const CommonOptions&)>;
struct Command {
  std::string_view name;
  std::string_view group;  // heading in the list of commands
  std::string_view summary;
  Action (*add)(CLI::App& app);
  /// Whether it looks at interrupt_flag() while it works. Others are ended where they are.
  bool stops_itself = false;
};

/// Puts what is declared while it lives under a heading of the help page.
class OptionsUnder {
 public:
  OptionsUnder(CLI::App& app, const std::string& heading)
      : defaults_(*app.option_defaults()), before_(defaults_.get_group()) {
    defaults_.group(heading);
  }
  ~OptionsUnder() { defaults_.group(before_); }
  OptionsUnder(const OptionsUnder&) = delete;
  OptionsUnder& operator=(const OptionsUnder&) = delete;

 private:
  CLI::OptionDefaults& defaults_;
  std::string before_;
};

/// Prints `trueplate <command>: <message>` on standard error and returns the matching status.
int report_failure(const Error& error);
/// The same with the status for a wrong command line.
int report_usage(const Error& error);
/// Prints `trueplate <command>: warning: <message> [<code>]` on standard error, unless --quiet.
void report_warnings(const std::vector<Warning>& warnings, const CommonOptions& common);
/// The name the messages above use; main() sets it once.
void set_command_name(std::string_view name);

/// Prints one line about one frame on standard error, in the same form.
void report_frame_problem(std::string_view message);

/// Prints text for a person on standard output, unless --quiet or --json - claims it.
void print(const CommonOptions& common, std::string_view text);

/// Warnings as [{code, message, value}]; a value that is not finite becomes null.
nlohmann::json warnings_json(const std::vector<Warning>& warnings);

/// What made a file: {name, version}.
nlohmann::json program_json();

/// Writes `value` where --json asks for it, with `program` (program_json()) where it is an object
/// that does not say it. Nothing when it was not asked for.
Result<void> write_json(const CommonOptions& common, const nlohmann::json& value);

/// A line on standard error that is rewritten as the work goes on: how much is done, at what rate,
/// and how long the rest takes at that rate. Shown only when standard error is a terminal or
/// --progress asks for it (then one line each). Messages take its place. Safe from any thread.
class Progress {
 public:
  Progress(const CommonOptions& common, std::string what);
  ~Progress();
  Progress(const Progress&) = delete;
  Progress& operator=(const Progress&) = delete;
  void update(int done, int total, std::string_view name);

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// Set when the user asked to stop (SIGINT, SIGTERM); commands hand it to the library.
const std::atomic<bool>& interrupt_flag();
/// For commands that look at the flag. A second signal ends the program at once.
void install_interrupt_handler();
/// For those that do not: the program ends with kInterrupted. What it was writing has another name
/// until it is whole, and is taken away by whoever writes there next.
void end_on_interrupt();

/// Refuses, before any work is done, an output that exists or whose folder does not, two outputs of
/// one name (--json among them), and an output that would replace an input. Empty names and - do
/// not count.
/// existing   what to do with outputs that exist, --json excepted; nullopt: as --overwrite says
Result<void> check_outputs(const std::vector<std::string>& outputs,
                           const std::vector<std::string>& inputs,
                           const CommonOptions& common,
                           std::optional<Overwrite> existing = std::nullopt);

/// A number from `low` to `high`, NaN excluded; for add_option(...)->check().
CLI::Validator finite_range(double low, double high);

}  // namespace trueplate::cli
