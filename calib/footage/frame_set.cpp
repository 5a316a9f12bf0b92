#include "calib/footage/frame_set.h"

#include <fmt/format.h>
#include <glob.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <map>
#include <unordered_set>
#include <utility>

#include "calib/footage/detail/frame_pattern.h"
#include "calib/footage/movie.h"

namespace trueplate::footage {
namespace {

namespace fs = std::filesystem;

constexpr std::string_view kPictureKinds = "exr, dpx, tif, png, jpg or a movie";

std::string lower_extension(const fs::path& path) {
  std::string text = path.extension().string();
  for (char& c : text) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return text;
}

std::string folder_text(const fs::path& folder) { return folder.empty() ? "." : folder.string(); }

/// The names of the pictures in a folder, in natural order. Hidden files are left out: an output
/// that is being written has a hidden temporary name.
Result<std::vector<std::string>> picture_names(const fs::path& folder) {
  std::error_code code;
  const fs::path place = folder_text(folder);
  if (!fs::is_directory(place, code)) {
    return fail(ErrorCode::kNotFound, fmt::format("{}: no such folder", place.string()));
  }
  std::vector<std::string> names;
  fs::directory_iterator entry(place, code);
  for (; !code && entry != fs::directory_iterator(); entry.increment(code)) {
    std::string name = entry->path().filename().string();
    std::error_code ignored;
    if (name.front() == '.' || !is_picture_path(name) || entry->is_directory(ignored)) continue;
    names.push_back(std::move(name));
  }
  if (code) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: cannot list the folder ({})", place.string(), code.message()));
  }
  std::sort(names.begin(), names.end(), detail::natural_less);
  return names;
}

Error no_such_file(const fs::path& path) {
  return {ErrorCode::kNotFound, fmt::format("{}: no such file or folder", path.string())};
}

/// Collects the frames of all arguments.
class Collector {
 public:
  explicit Collector(std::vector<int> wanted)
      : wanted_(std::move(wanted)), wanted_set_(wanted_.begin(), wanted_.end()) {}

  Result<void> add(const std::string& argument);
  Result<FrameSet> finish() &&;

 private:
  Result<void> add_file(const fs::path& path);
  Result<void> add_absent(const fs::path& path);
  Result<void> add_movie(const fs::path& path);
  Result<void> add_folder(const fs::path& folder);
  Result<void> add_glob(const std::string& glob);
  Result<void> add_pattern(const std::string& argument);
  Error no_match(const std::string& argument, const detail::FramePattern& pattern) const;
  /// Adds a frame known by name when its number is wanted.
  void offer(std::vector<FrameRef>& list, const fs::path& path);
  /// Refuses a file without a number where numbers are wanted.
  [[nodiscard]] Result<void> check_number(const fs::path& path) const;
  void push(std::vector<FrameRef>& list, fs::path path, std::optional<int> number);

  std::vector<int> wanted_;  // empty: all
  std::unordered_set<int> wanted_set_;
  bool numbers_from_names_ = false;  // some argument was a file, a folder or a glob
  std::unordered_set<std::string> seen_;
  std::vector<FrameRef> strangers_;  // files that are no pictures
  std::vector<FrameRef> missing_;    // files and numbers that are not on disk
  FrameSet set_;
};

void Collector::push(std::vector<FrameRef>& list, fs::path path, std::optional<int> number) {
  std::error_code code;
  // Lexical on purpose: sequences are filled with links to held frames, each a frame of its own.
  const fs::path whole = fs::absolute(path, code).lexically_normal();
  if (!seen_.insert(whole.string()).second) return;
  std::string name = path.filename().string();
  list.push_back({std::move(path), number, std::move(name)});
}

void Collector::offer(std::vector<FrameRef>& list, const fs::path& path) {
  const std::optional<int> number = detail::trailing_number(path);
  if (!wanted_.empty() && (!number || !wanted_set_.contains(*number))) return;
  push(list, path, number);
}

Result<void> Collector::check_number(const fs::path& path) const {
  if (wanted_.empty() || detail::trailing_number(path)) return {};
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: its name ends in no frame number, so --frames cannot choose it",
                          path.string()));
}

Result<void> Collector::add_file(const fs::path& path) {
  if (is_movie_path(path)) return add_movie(path);
  if (!is_picture_path(path)) {
    push(strangers_, path, std::nullopt);
    return {};
  }
  if (Result<void> numbered = check_number(path); !numbered) return numbered;
  offer(set_.frames, path);
  return {};
}

Result<void> Collector::add_absent(const fs::path& path) {
  if (Result<void> numbered = check_number(path); !numbered) return numbered;
  numbers_from_names_ = true;
  offer(missing_, path);
  return {};
}

Result<void> Collector::add_movie(const fs::path& path) {
  const Result<int> count = num_movie_frames(path);
  if (!count) return fail(count.error());
  std::error_code code;
  if (!seen_.insert(fs::absolute(path, code).lexically_normal().string()).second) return {};
  for (int i = 0; i < *count; ++i) {
    if (!wanted_.empty() && !wanted_set_.contains(i + 1)) continue;
    set_.frames.push_back({path, i + 1, fmt::format("{}#{}", path.filename().string(), i + 1), i});
    if (set_.frames.size() > kMaxFrames) break;  // finish() refuses them
  }
  return {};
}

Result<void> Collector::add_folder(const fs::path& folder) {
  const Result<std::vector<std::string>> names = picture_names(folder);
  if (!names) return fail(names.error());
  if (names->empty()) {
    return fail(
        ErrorCode::kNotFound,
        fmt::format("{}: no pictures in this folder; wanted {}", folder.string(), kPictureKinds));
  }
  for (const std::string& name : *names) offer(set_.frames, folder / name);
  return {};
}

Result<void> Collector::add_glob(const std::string& argument) {
  ::glob_t matches{};
  const int status = ::glob(argument.c_str(), GLOB_NOSORT, nullptr, &matches);
  std::vector<std::string> paths;
  std::string other;
  for (std::size_t i = 0; status == 0 && i < matches.gl_pathc; ++i) {
    const std::string path = matches.gl_pathv[i];
    std::error_code code;
    if ((is_picture_path(path) || is_movie_path(path)) && !fs::is_directory(path, code)) {
      paths.push_back(path);
    } else if (other.empty()) {
      other = path;
    }
  }
  ::globfree(&matches);
  if (paths.empty() && !other.empty()) {
    return fail(
        ErrorCode::kNotFound,
        fmt::format("{}: matches {}, but no picture; wanted {}", argument, other, kPictureKinds));
  }
  if (paths.empty()) {
    return fail(ErrorCode::kNotFound, fmt::format("{}: matches no file", argument));
  }
  std::sort(paths.begin(), paths.end(), detail::natural_less);
  for (const std::string& path : paths) {
    if (!is_movie_path(path)) {
      offer(set_.frames, path);
    } else if (Result<void> added = add_movie(path); !added) {
      return added;
    }
  }
  return {};
}

Error Collector::no_match(const std::string& argument, const detail::FramePattern& pattern) const {
  const Result<std::vector<std::string>> names = picture_names(pattern.folder);
  if (!names) return {ErrorCode::kNotFound, fmt::format("{}: {}", argument, names.error().message)};
  std::vector<int> existing;
  for (const std::string& name : *names) {
    if (const std::optional<int> number = detail::number_in(pattern, name)) {
      existing.push_back(*number);
    }
  }
  if (!existing.empty()) {
    std::sort(existing.begin(), existing.end());
    return {ErrorCode::kNotFound,
            fmt::format("{}: none of the frames asked for exists; on disk are {}",
                        argument,
                        frame_range_text(existing).substr(0, 200))};
  }
  // The usual slip is the wrong number of digits: same name around the number.
  std::string nearest;
  for (const std::string& name : *names) {
    if (name.starts_with(pattern.prefix) && name.ends_with(pattern.suffix)) {
      nearest = name;
      break;
    }
  }
  if (nearest.empty() && !names->empty()) nearest = names->front();
  return {ErrorCode::kNotFound,
          nearest.empty()
              ? fmt::format("{}: no frame found; the folder {} holds no pictures",
                            argument,
                            folder_text(pattern.folder))
              : fmt::format("{}: no frame found; nearest in that folder is {}", argument, nearest)};
}

Result<void> Collector::add_pattern(const std::string& argument) {
  const Result<detail::FramePattern> pattern = detail::parse_frame_pattern(argument);
  if (!pattern) return fail(pattern.error());
  const fs::path example = detail::path_of(*pattern, 1);
  if (!is_picture_path(example)) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: not a kind of picture that is read; wanted {}", argument, kPictureKinds));
  }
  const Result<std::vector<std::string>> names = picture_names(pattern->folder);
  if (!names)
    return fail(names.error().code, fmt::format("{}: {}", argument, names.error().message));
  std::vector<int> existing;
  for (const std::string& name : *names) {
    if (const std::optional<int> number = detail::number_in(*pattern, name)) {
      existing.push_back(*number);
    }
  }
  std::sort(existing.begin(), existing.end());
  bool found = false;
  for (const int number : wanted_.empty() ? existing : wanted_) {
    const bool exists = std::binary_search(existing.begin(), existing.end(), number);
    found = found || exists;
    push(exists ? set_.frames : missing_, detail::path_of(*pattern, number), number);
  }
  if (!found) return fail(no_match(argument, *pattern));
  return {};
}

Result<void> Collector::add(const std::string& argument) {
  if (argument.empty()) return fail(ErrorCode::kInvalidInput, "an empty name in place of frames");
  std::error_code code;
  const fs::file_status status = fs::status(argument, code);
  if (fs::is_directory(status)) {
    numbers_from_names_ = true;
    return add_folder(argument);
  }
  if (fs::exists(status)) {
    numbers_from_names_ = true;
    return add_file(argument);
  }
  if (detail::holds_frame_mark(argument)) return add_pattern(argument);
  if (argument.find_first_of("*?[") != std::string::npos) {
    numbers_from_names_ = true;
    return add_glob(argument);
  }
  // One file of a list is missed like one number of a pattern; what else it might be is not known.
  if (is_picture_path(argument)) return add_absent(argument);
  return fail(no_such_file(argument));
}

Result<FrameSet> Collector::finish() && {
  if (numbers_from_names_ && !wanted_.empty()) {
    std::unordered_set<int> found;
    for (const FrameRef& frame : set_.frames) found.insert(frame.number.value());
    for (const FrameRef& frame : missing_) found.insert(frame.number.value());
    for (const int number : wanted_) {
      if (!found.contains(number)) {
        missing_.push_back({{}, number, fmt::format("frame {}", number)});
      }
    }
  }
  const auto no_picture = [](const FrameRef& frame) {
    return Error{ErrorCode::kUnsupported,
                 fmt::format("{}: not a kind of picture that is read; wanted {}",
                             frame.path.string(),
                             kPictureKinds)};
  };
  if (set_.frames.empty() && !strangers_.empty()) return fail(no_picture(strangers_.front()));
  if (set_.frames.empty() && wanted_.empty()) return fail(no_such_file(missing_.front().path));
  if (set_.frames.empty()) {
    std::vector<int> sorted = wanted_;
    std::sort(sorted.begin(), sorted.end());
    return fail(
        ErrorCode::kNotFound,
        fmt::format("none of the frames {} exists", frame_range_text(sorted).substr(0, 200)));
  }
  if (set_.frames.size() > kMaxFrames) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{} frames; at most {} at a time", set_.frames.size(), kMaxFrames));
  }
  for (FrameRef& frame : missing_) {
    const std::string shown = frame.path.empty() ? frame.name : frame.path.string();
    set_.left_out.push_back(
        {std::move(frame), {ErrorCode::kNotFound, fmt::format("{}: no such file", shown)}});
  }
  for (FrameRef& frame : strangers_) {
    Error reason = no_picture(frame);
    set_.left_out.push_back({std::move(frame), std::move(reason)});
  }
  std::map<std::string, int> uses;
  for (const FrameRef& frame : set_.frames) ++uses[frame.name];
  for (FrameRef& frame : set_.frames) {
    if (uses[frame.name] > 1) frame.name = frame.path.string();
  }
  return std::move(set_);
}

}  // namespace

bool is_picture_path(const fs::path& path) {
  static constexpr std::array kExtensions = {
      ".exr", ".dpx", ".tif", ".tiff", ".png", ".jpg", ".jpeg"};
  const std::string extension = lower_extension(path);
  return std::find(kExtensions.begin(), kExtensions.end(), extension) != kExtensions.end();
}

bool is_frame_pattern(std::string_view text) {
  std::error_code code;
  return detail::holds_frame_mark(text) && !fs::exists(fs::path(text), code);
}

Result<FrameSet> resolve_frames(std::span<const std::string> arguments, std::string_view range) {
  if (arguments.empty()) {
    return fail(ErrorCode::kInvalidInput,
                "no frames given; name files, a folder or a pattern such as grid.####.exr");
  }
  std::vector<int> wanted;
  if (!range.empty()) {
    Result<std::vector<int>> numbers = parse_frame_range(range);
    if (!numbers) return fail(numbers.error());
    wanted = *std::move(numbers);
  }
  Collector collector(std::move(wanted));
  for (const std::string& argument : arguments) {
    if (Result<void> added = collector.add(argument); !added) return fail(added.error());
  }
  return std::move(collector).finish();
}

}  // namespace trueplate::footage
