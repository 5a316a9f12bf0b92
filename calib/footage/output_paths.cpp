#include <fmt/format.h>

#include <map>
#include <unordered_map>

#include "calib/footage/detail/frame_pattern.h"
#include "calib/footage/frame_set.h"

namespace trueplate::footage {
namespace {

namespace fs = std::filesystem;

/// One spelling per file: folders resolved (once each), file names as they are.
class CanonicalNames {
 public:
  std::string of(const fs::path& path) {
    const fs::path folder = path.has_parent_path() ? path.parent_path() : fs::path(".");
    const auto [entry, is_new] = folders_.try_emplace(folder.string());
    if (is_new) {
      std::error_code code;
      entry->second = fs::weakly_canonical(folder, code).string();
      if (code) entry->second = folder.lexically_normal().string();
    }
    return entry->second + "/" + path.filename().string();
  }

 private:
  std::map<std::string, std::string> folders_;
};

Result<fs::path> output_of(std::string_view output,
                           const std::optional<detail::FramePattern>& pattern,
                           bool is_folder,
                           const FrameRef& frame) {
  if (is_folder && frame.movie_frame) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("{}: the frames of the movie {} have no file names of their own; write a "
                    "pattern such as {}out.####.exr",
                    output,
                    frame.path.string(),
                    output.ends_with('/') ? output : ""));
  }
  if (is_folder) return fs::path(output) / frame.path.filename();
  if (!pattern) return fs::path(output);
  if (!frame.number) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: has no frame number to put into {}; give a folder as output to "
                            "keep the file names",
                            frame.name,
                            output));
  }
  return detail::path_of(*pattern, *frame.number);
}

}  // namespace

Result<fs::path> path_for_frame(std::string_view text, int number) {
  const Result<detail::FramePattern> pattern = detail::parse_frame_pattern(text);
  if (!pattern) return fail(pattern.error());
  return detail::path_of(*pattern, number);
}

Result<std::vector<fs::path>> output_paths(std::string_view output,
                                           std::span<const FrameRef> frames) {
  if (output.empty()) return fail(ErrorCode::kInvalidInput, "an empty name in place of an output");
  std::error_code code;
  const bool is_folder = output.ends_with('/') || fs::is_directory(fs::path(output), code);
  std::optional<detail::FramePattern> pattern;
  if (!is_folder && detail::holds_frame_mark(output)) {
    Result<detail::FramePattern> parsed = detail::parse_frame_pattern(output);
    if (!parsed) return fail(parsed.error());
    pattern = *std::move(parsed);
  }
  if (!is_folder && !pattern && frames.size() > 1) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: {} frames would go to one file; write a pattern such as "
                            "out.####.exr, or name a folder",
                            output,
                            frames.size()));
  }
  CanonicalNames names;
  std::unordered_map<std::string, const FrameRef*> inputs;
  for (const FrameRef& frame : frames) inputs.emplace(names.of(frame.path), &frame);
  std::unordered_map<std::string, const FrameRef*> taken;
  std::vector<fs::path> paths;
  paths.reserve(frames.size());
  for (const FrameRef& frame : frames) {
    Result<fs::path> path = output_of(output, pattern, is_folder, frame);
    if (!path) return fail(path.error());
    const std::string name = names.of(*path);
    if (const auto [other, is_new] = taken.emplace(name, &frame); !is_new) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: both {} and {} would go to this file",
                              path->string(),
                              other->second->name,
                              frame.name));
    }
    if (inputs.contains(name)) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: is one of the frames to be read; choose another name or folder",
                              path->string()));
    }
    paths.push_back(*std::move(path));
  }
  return paths;
}

}  // namespace trueplate::footage
