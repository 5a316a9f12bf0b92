#include "cli/command.h"

#include <fmt/format.h>
#include <unistd.h>

#include <csignal>
#include <cstdio>
#include <filesystem>
#include <map>
#include <mutex>
#include <optional>

#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::cli {
namespace {

std::string& command_name() {
  static std::string name;
  return name;
}

// A signal handler may touch nothing but a lock-free atomic.
std::atomic<bool> interrupted{false};
static_assert(std::atomic<bool>::is_always_lock_free);

extern "C" void on_interrupt(int) { interrupted.store(true); }

/// Names and messages may hold what files say: nothing of it may drive the terminal.
std::string one_line(std::string_view text) { return printable(text, std::string_view::npos); }

/// The same for text of several lines.
std::string lines_of(std::string_view text) {
  std::string result;
  for (std::size_t begin = 0; begin < text.size();) {
    const std::size_t end = text.find('\n', begin);
    result += one_line(text.substr(begin, end - begin));
    if (end == std::string_view::npos) break;
    result += '\n';
    begin = end + 1;
  }
  return result;
}

}  // namespace

void set_command_name(std::string_view name) { command_name() = name; }

int report_failure(const Error& error) {
  fmt::print(stderr, "trueplate {}: {}\n", command_name(), one_line(error.message));
  return error.code == ErrorCode::kInterrupted ? kInterrupted : kFailed;
}

int report_usage(const Error& error) {
  fmt::print(stderr,
             "trueplate{}{}: {}\n",
             command_name().empty() ? "" : " ",
             command_name(),
             one_line(error.message));
  return kUsage;
}

void report_warnings(const std::vector<Warning>& warnings, const CommonOptions& common) {
  if (common.quiet) return;
  for (const Warning& warning : warnings) {
    fmt::print(stderr, "trueplate {}: warning: {}\n", command_name(), one_line(warning.message));
  }
}

void report_frame_problem(std::string_view message) {
  fmt::print(stderr, "trueplate {}: {}\n", command_name(), one_line(message));
}

void print(const CommonOptions& common, std::string_view text) {
  if (common.quiet || common.json == "-") return;
  fmt::print("{}", lines_of(text));
}

nlohmann::json warnings_json(const std::vector<Warning>& warnings) {
  nlohmann::json list = nlohmann::json::array();
  for (const Warning& warning : warnings) {
    list.push_back(
        {{"code", warning.code}, {"message", warning.message}, {"value", warning.value}});
  }
  return list;
}

Result<void> write_json(const CommonOptions& common, const nlohmann::json& value) {
  if (common.json.empty()) return {};
  // Text that is not UTF-8 (file names) must not stop the result from being written.
  const std::string text =
      value.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
  if (common.json == "-") {
    if (std::fwrite(text.data(), 1, text.size(), stdout) != text.size() ||
        std::fflush(stdout) != 0) {
      return fail(ErrorCode::kUnwritable, "standard output: could not be written");
    }
    return {};
  }
  return write_text_file(common.json, text, common.overwrite_policy());
}

Result<void> check_outputs(const std::vector<std::string>& outputs,
                           const std::vector<std::string>& inputs,
                           const CommonOptions& common,
                           std::optional<Overwrite> existing) {
  namespace fs = std::filesystem;
  const auto place = [](const std::string& path) {
    std::error_code code;
    const fs::path canonical = fs::weakly_canonical(path, code);
    return code ? fs::path(path) : canonical;
  };
  std::map<fs::path, std::string> taken;
  for (const std::string& input : inputs) {
    if (!input.empty()) taken.emplace(place(input), "is an input of this command");
  }
  const auto check = [&](const std::string& output, Overwrite overwrite) -> Result<void> {
    if (output.empty() || output == "-") return {};
    const auto [other, is_new] = taken.emplace(place(output), "is named for two outputs");
    if (!is_new) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: {}; choose another name", output, other->second));
    }
    const Result<AtomicFile> probe = AtomicFile::create(output, overwrite);
    if (!probe) return fail(probe.error());
    return {};
  };
  for (const std::string& output : outputs) {
    const Result<void> free = check(output, existing.value_or(common.overwrite_policy()));
    if (!free) return free;
  }
  return check(common.json, common.overwrite_policy());
}

CLI::Validator finite_range(double low, double high) {
  return CLI::Validator(
      [low, high](std::string& text) {
        const std::optional<double> value = parse_number(text);
        if (value && *value >= low && *value <= high) return std::string();
        return fmt::format("'{}' is not a number from {} to {}", text, low, high);
      },
      "");
}

struct Progress::State {
  std::string what;
  bool shown = false;
  bool terminal = false;
  bool drawn = false;
  std::mutex mutex;
};

Progress::Progress(const CommonOptions& common, std::string what)
    : state_(std::make_unique<State>()) {
  state_->what = std::move(what);
  state_->terminal = ::isatty(STDERR_FILENO) == 1;
  state_->shown = !common.quiet && (state_->terminal || common.progress);
}

Progress::~Progress() {
  if (state_->drawn && state_->terminal) fmt::print(stderr, "\r\033[K");
}

void Progress::update(int done, int total, std::string_view name) {
  if (!state_->shown) return;
  const std::lock_guard lock(state_->mutex);
  state_->drawn = true;
  const std::string line = fmt::format("{} {}/{} {}", state_->what, done, total, one_line(name));
  if (state_->terminal) {
    fmt::print(stderr, "\r\033[K{:.100}", line);
    std::fflush(stderr);
  } else {
    fmt::print(stderr, "{}\n", line);
  }
}

const std::atomic<bool>& interrupt_flag() { return interrupted; }

void install_interrupt_handler() {
  struct sigaction action = {};
  action.sa_handler = on_interrupt;
  // A second Ctrl-C ends the program at once.
  action.sa_flags = static_cast<int>(SA_RESETHAND);
  ::sigaction(SIGINT, &action, nullptr);
  ::sigaction(SIGTERM, &action, nullptr);
  // A full quota then shows as a failed write, which is reported.
  ::signal(SIGXFSZ, SIG_IGN);
}

}  // namespace trueplate::cli
