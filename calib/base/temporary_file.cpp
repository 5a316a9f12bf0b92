#include "calib/base/temporary_file.h"

#include <fmt/format.h>
#include <signal.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <cerrno>
#include <charconv>
#include <cstdint>
#include <fstream>
#include <iterator>
#include <optional>
#include <string_view>
#include <system_error>

namespace trueplate {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view kMark = ".part";

/// A process, among all that may write to one file server.
struct Owner {
  std::uint64_t place = 0;  // 0: could not be found out, so equal to no other
  std::uint64_t process = 0;
  std::uint64_t start = 0;
};

std::string text_of(const char* path) {
  std::ifstream file(path);
  return {std::istreambuf_iterator<char>(file), {}};
}

/// FNV-1a, 64 bits (Fowler, Noll, Vo; RFC 9923).
std::uint64_t hash_of(std::string_view text) {
  std::uint64_t hash = 0xcbf29ce484222325U;
  for (const char c : text) hash = (hash ^ static_cast<unsigned char>(c)) * 0x100000001b3U;
  return hash;
}

/// Host names will not do: machines and containers of one name share file servers.
std::uint64_t this_place() {
  const std::string boot = text_of("/proc/sys/kernel/random/boot_id");
  std::error_code code;
  const fs::path names = fs::read_symlink("/proc/self/ns/pid", code);
  if (boot.empty() || code) return 0;
  return std::max<std::uint64_t>(1, hash_of(fmt::format("{}{}", boot, names.string())));
}

/// Field 22 of /proc/PID/stat (proc(5)); 0 when it cannot be read.
std::uint64_t start_of(std::uint64_t process) {
  const std::string text = text_of(fmt::format("/proc/{}/stat", process).c_str());
  // The program's name, in parentheses, may hold spaces and parentheses.
  std::size_t at = text.rfind(')');
  for (int field = 2; at != std::string::npos && field < 22; ++field) at = text.find(' ', at + 1);
  if (at == std::string::npos) return 0;
  std::uint64_t start = 0;
  std::from_chars(text.data() + at + 1, text.data() + text.size(), start);
  return start;
}

/// Not remembered: a child made by fork() is another process.
Owner this_process() {
  const auto process = static_cast<std::uint64_t>(::getpid());
  return {this_place(), process, start_of(process)};
}

/// The number at the front of `text`, which is cut off together with the `end` that must follow.
std::optional<std::uint64_t> take_number(std::string_view& text, int base, char end) {
  std::uint64_t number = 0;
  const auto [stop, error] = std::from_chars(text.data(), text.data() + text.size(), number, base);
  if (error != std::errc()) return std::nullopt;
  const bool at_end = stop == text.data() + text.size();
  if (at_end != (end == '\0') || (!at_end && *stop != end)) return std::nullopt;
  text.remove_prefix(static_cast<std::size_t>(stop - text.data()) + (at_end ? 0 : 1));
  return number;
}

/// Who writes a file of this name; nullopt for other names.
std::optional<Owner> owner_of(std::string_view name) {
  const std::size_t mark = name.rfind(kMark);
  if (name.empty() || name.front() != '.' || mark == std::string_view::npos) return std::nullopt;
  const std::string_view extension = name.substr(mark + kMark.size());
  if (!extension.empty() && (extension.front() != '.' || extension.rfind('.') != 0)) {
    return std::nullopt;
  }
  name = name.substr(0, mark);
  name.remove_prefix(name.rfind('.') + 1);
  const auto place = take_number(name, 16, '-');
  const auto process = place ? take_number(name, 10, '-') : std::nullopt;
  const auto start = process ? take_number(name, 10, '-') : std::nullopt;
  const auto count = start ? take_number(name, 10, '\0') : std::nullopt;
  if (!count) return std::nullopt;
  return Owner{*place, *process, *start};
}

bool is_alive(const Owner& owner) {
  constexpr std::uint64_t kLargestId = std::uint64_t{1} << 22;  // proc(5), pid_max
  if (owner.process == 0 || owner.process > kLargestId) return false;
  if (::kill(static_cast<pid_t>(owner.process), 0) != 0 && errno == ESRCH) return false;
  const std::uint64_t start = start_of(owner.process);
  return start == 0 || start == owner.start;  // else the id was given to another process since
}

bool is_leftover(const fs::path& path, const Owner& owner) {
  const std::uint64_t here = this_process().place;
  if (here != 0 && owner.place == here) return !is_alive(owner);
  std::error_code code;
  const fs::file_time_type written = fs::last_write_time(path, code);
  return !code && fs::file_time_type::clock::now() - written > kLeftoverAge;
}

}  // namespace

fs::path temporary_path_for(const fs::path& final_path) {
  static std::atomic<unsigned> counter{0};
  const Owner owner = this_process();
  const std::string tail = fmt::format(".{:016x}-{}-{}-{}{}{}",
                                       owner.place,
                                       owner.process,
                                       owner.start,
                                       counter.fetch_add(1),
                                       kMark,
                                       final_path.extension().string());
  constexpr std::size_t kLongestName = 255;  // NAME_MAX of Linux
  std::string name = fmt::format(".{}", final_path.stem().string());
  if (name.size() + tail.size() > kLongestName && tail.size() < kLongestName) {
    name.resize(kLongestName - tail.size());
  }
  return final_path.parent_path() / fmt::format("{}{}", name, tail);
}

std::vector<fs::path> remove_leftovers(const fs::path& folder) {
  std::vector<fs::path> removed;
  std::error_code code;
  fs::directory_iterator entry(folder.empty() ? fs::path(".") : folder, code);
  for (; !code && entry != fs::directory_iterator(); entry.increment(code)) {
    const std::optional<Owner> owner = owner_of(entry->path().filename().string());
    std::error_code ignored;
    if (!owner || fs::symlink_status(entry->path(), ignored).type() != fs::file_type::regular ||
        !is_leftover(entry->path(), *owner)) {
      continue;
    }
    if (fs::remove(entry->path(), ignored)) removed.push_back(entry->path());
  }
  return removed;
}

}  // namespace trueplate
