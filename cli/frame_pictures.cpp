#include "cli/frame_pictures.h"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <map>
#include <utility>

#include "cli/footage_options.h"
#include "warp/io/frame_writer.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;

/// Frames whose name holds a folder, because another one has the same file name, keep it.
std::string picture_name(const footage::FrameRef& frame) {
  std::string name = frame.name;
  if (frame.movie_frame) name.resize(std::min(name.size(), name.rfind('#')));
  std::replace(name.begin(), name.end(), '/', '_');
  const std::string stem = fs::path(name).stem().string();
  if (!frame.movie_frame) return stem + ".png";
  return fmt::format("{}.{:04}.png", stem, frame.number.value_or(*frame.movie_frame + 1));
}

Result<void> make_folder(const std::string& folder) {
  std::error_code code;
  fs::create_directories(folder, code);
  if (fs::is_directory(folder)) return {};
  return fail(ErrorCode::kUnwritable,
              fmt::format("--draw: {}: the folder cannot be made ({})",
                          folder,
                          code ? code.message() : "it is a file"));
}

footage::Frame frame_of(Image<float> picture) {
  footage::Frame frame;
  const Window window{.x = 0, .y = 0, .width = picture.width(), .height = picture.height()};
  frame.windows = {.display = window, .data = window};
  for (const char* name : {"R", "G", "B"}) {
    frame.channels.push_back({name, footage::SampleFormat::kUint8});
  }
  frame.pixels = std::move(picture);
  return frame;
}

}  // namespace

Result<FramePictures> FramePictures::plan(const std::string& folder,
                                          const footage::FrameSet& frames,
                                          const CommonOptions& common) {
  if (folder.empty()) return FramePictures({}, Overwrite::kRefuse);
  std::vector<Planned> pictures;
  std::map<std::string, std::string> taken;
  for (const footage::FrameRef& frame : frames.frames) {
    const std::string name = picture_name(frame);
    const auto [other, is_new] = taken.emplace(name, frame.name);
    if (!is_new) {
      return fail(
          ErrorCode::kInvalidInput,
          fmt::format("--draw: the pictures of {} and {} would both be {}; draw them in two "
                      "calls, into two folders",
                      other->second,
                      frame.name,
                      name));
    }
    pictures.push_back({frame.name, (fs::path(folder) / name).string()});
  }
  if (Result<void> made = make_folder(folder); !made) return fail(made.error());
  std::vector<std::string> paths;
  paths.reserve(pictures.size());
  for (const Planned& picture : pictures) paths.push_back(picture.path);
  if (Result<void> free = check_outputs(paths, paths_of(frames), common); !free) {
    return fail(free.error());
  }
  return FramePictures(std::move(pictures), common.overwrite_policy());
}

FramePictures::FramePictures(std::vector<Planned> pictures, Overwrite overwrite)
    : pictures_(std::move(pictures)),
      overwrite_(overwrite),
      mutex_(std::make_unique<std::mutex>()) {}

void FramePictures::write(std::size_t index, Image<float> picture) {
  const auto written = warp::write_frame(
      pictures_[index].path, frame_of(std::move(picture)), {.overwrite = overwrite_, .threads = 1});
  if (written) return;
  const std::lock_guard lock(*mutex_);
  failures_.push_back(written.error().message);
}

int FramePictures::report_failures() const {
  constexpr std::size_t kMost = 3;
  for (std::size_t i = 0; i < std::min(kMost, failures_.size()); ++i) {
    report_frame_problem(failures_[i]);
  }
  if (failures_.size() > kMost) {
    report_frame_problem(
        fmt::format("{} more pictures could not be written", failures_.size() - kMost));
  }
  return static_cast<int>(failures_.size());
}

}  // namespace trueplate::cli
