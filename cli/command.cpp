#include "cli/command.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <cstdio>
#include <filesystem>
#include <map>
#include <memory>
#include <mutex>
#include <optional>
#include <system_error>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "cli/terminal.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

std::string& command_name() {
  static std::string name;
  return name;
}

// A signal handler may touch nothing but a lock-free atomic.
std::atomic<bool> interrupted{false};
static_assert(std::atomic<bool>::is_always_lock_free);

/// Whether someone watches who has to be told at once that the signal was taken.
std::atomic<bool> watched{false};

extern "C" void on_interrupt(int) {
  interrupted.store(true);
  constexpr std::string_view kStopping = "\r\033[Kstopping; Ctrl-C again ends at once\n";
  if (watched.load())
    static_cast<void>(!::write(STDERR_FILENO, kStopping.data(), kStopping.size()));
}
extern "C" void on_interrupt_at_once(int) { ::_exit(kInterrupted); }

void on_signals(void (*handler)(int)) {
  struct sigaction action = {};
  action.sa_handler = handler;
  // A second Ctrl-C ends the program at once.
  action.sa_flags = static_cast<int>(SA_RESETHAND);
  ::sigaction(SIGINT, &action, nullptr);
  ::sigaction(SIGTERM, &action, nullptr);
}

/// Whether a line of progress stands on the terminal.
std::atomic<bool> progress_stands{false};

/// Names and messages may hold what files say: nothing of it may drive the terminal.
std::string one_line(std::string_view text) { return printable(text, std::string_view::npos); }

/// The same for text of several lines, each in the width of the terminal.
std::string lines_of(std::string_view text) {
  std::string result;
  for (std::size_t begin = 0; begin < text.size();) {
    const std::size_t end = text.find('\n', begin);
    result += fitted(Stream::kOutput, one_line(text.substr(begin, end - begin)));
    if (end == std::string_view::npos) break;
    result += '\n';
    begin = end + 1;
  }
  return result;
}

/// `trueplate calibrate`, in colour where it begins a failure.
std::string who(bool is_failure) {
  const std::string name =
      fmt::format("trueplate{}{}", command_name().empty() ? "" : " ", command_name());
  return is_failure ? painted(Stream::kErrors, Style::kFailure, name) : name;
}

/// One line on standard error, in the place of a line of progress.
void print_error_line(const std::string& line) {
  std::fflush(stdout);  // on one screen both stay in order
  const char* clear = progress_stands.exchange(false) ? "\r\033[K" : "";
  fmt::print(stderr, "{}{}\n", clear, fitted(Stream::kErrors, line));
}

/// `12 s`, `3 min`, `1.5 h`.
std::string duration_text(double seconds) {
  if (seconds < 100.0) return fmt::format("{:.0f} s", std::max(seconds, 1.0));
  if (seconds < 6000.0) return fmt::format("{:.0f} min", seconds / 60.0);
  return fmt::format("{:.1f} h", seconds / 3600.0);
}

}  // namespace

void set_command_name(std::string_view name) { command_name() = name; }

int report_failure(const Error& error) {
  print_error_line(fmt::format("{}: {}", who(true), one_line(error.message)));
  return error.code == ErrorCode::kInterrupted ? kInterrupted : kFailed;
}

int report_usage(const Error& error) {
  print_error_line(fmt::format("{}: {}", who(true), one_line(error.message)));
  return kUsage;
}

void report_warnings(const std::vector<Warning>& warnings, const CommonOptions& common) {
  if (common.quiet) return;
  for (const Warning& warning : warnings) {
    print_error_line(fmt::format("{}: {} {} [{}]",
                                 who(false),
                                 painted(Stream::kErrors, Style::kWarning, "warning:"),
                                 one_line(warning.message),
                                 one_line(warning.code)));
  }
}

void report_frame_problem(std::string_view message) {
  print_error_line(fmt::format("{}: {}", who(true), one_line(message)));
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

nlohmann::json program_json() { return {{"name", "trueplate"}, {"version", kVersion}}; }

Result<void> write_json(const CommonOptions& common, const nlohmann::json& value) {
  if (common.json.empty()) return {};
  nlohmann::json whole = value;
  if (whole.is_object() && !whole.contains("program")) whole["program"] = program_json();
  // Text that is not UTF-8 (file names) must not stop the result from being written.
  const std::string text =
      whole.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
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
    // What the folder does not tell: a name too long, a full quota.
    const std::unique_ptr<std::FILE, int (*)(std::FILE*)> file(
        std::fopen(probe->temporary_path().c_str(), "wbe"), &std::fclose);
    std::error_code code =
        file ? std::error_code() : std::error_code(errno, std::generic_category());
    // The temporary name is shorter than the one that it gets.
    if (file) static_cast<void>(std::filesystem::symlink_status(output, code));
    if (file && code != std::errc::filename_too_long) return {};
    return fail(ErrorCode::kUnwritable,
                fmt::format("{}: cannot be opened for writing ({})", output, code.message()));
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
  using Clock = std::chrono::steady_clock;

  std::string what;
  bool shown = false;
  bool terminal = false;
  std::mutex mutex;
  Clock::time_point begin = Clock::now();
  Clock::time_point last_drawn = begin - std::chrono::hours(1);

  /// `, 3.2/s, 11 s left`, once there is something to tell it from.
  [[nodiscard]] std::string pace(int done, int total) const {
    const double seconds = std::chrono::duration<double>(Clock::now() - begin).count();
    if (done <= 0 || seconds < 1.0) return {};
    const double rate = done / seconds;
    const std::string text = rate >= 10.0  ? fmt::format(", {:.0f}/s", rate)
                             : rate >= 0.1 ? fmt::format(", {:.1f}/s", rate)
                                           : fmt::format(", {:.2g} s each", 1.0 / rate);
    if (done >= total) return text;
    return fmt::format("{}, {} left", text, duration_text((total - done) / rate));
  }
};

Progress::Progress(const CommonOptions& common, std::string what)
    : state_(std::make_unique<State>()) {
  state_->what = std::move(what);
  state_->terminal = is_terminal(Stream::kErrors);
  state_->shown = !common.quiet && (state_->terminal || common.progress);
}

Progress::~Progress() {
  if (progress_stands.exchange(false)) fmt::print(stderr, "\r\033[K");
}

void Progress::update(int done, int total, std::string_view name) {
  if (!state_->shown) return;
  const std::lock_guard lock(state_->mutex);
  const std::string line = fmt::format(
      "{} {}/{}{}  {}", state_->what, done, total, state_->pace(done, total), one_line(name));
  if (!state_->terminal) {
    fmt::print(stderr, "{}\n", line);
    return;
  }
  constexpr std::chrono::milliseconds kBetween(50);
  const auto now = State::Clock::now();
  if (done < total && now - state_->last_drawn < kBetween) return;
  state_->last_drawn = now;
  // A line that ran over the edge could not be taken back.
  fmt::print(stderr, "\r\033[K{:.{}}", line, terminal_width(Stream::kErrors) - 1);
  std::fflush(stderr);
  progress_stands.store(true);
}

const std::atomic<bool>& interrupt_flag() { return interrupted; }

void install_interrupt_handler() {
  watched.store(is_terminal(Stream::kErrors));
  on_signals(&on_interrupt);
  // A full quota then shows as a failed write, which is reported.
  ::signal(SIGXFSZ, SIG_IGN);
}

void end_on_interrupt() { on_signals(&on_interrupt_at_once); }

}  // namespace trueplate::cli
