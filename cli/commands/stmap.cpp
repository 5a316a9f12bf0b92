#include <fmt/format.h>

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/interrupt.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_set.h"
#include "calib/lens/lens.h"
#include "calib/profile/describe.h"
#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/handoff_report.h"
#include "cli/help/spelling.h"
#include "cli/map_options.h"
#include "cli/per_frame.h"
#include "cli/plate_options.h"
#include "cli/profile_option.h"
#include "cli/shot_handoff.h"
#include "cli/state_options.h"
#include "warp/io/st_map_file.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  StateArguments state;
  PerFrameArguments per_frame;
  std::string undistort;
  std::string redistort;
  std::string compression = "zip";
  std::string channel;  // empty: one lens for all
  std::string handoff;
  PlateOptions plate;
};

bool is_colour(std::string_view word) { return word == "red" || word == "green" || word == "blue"; }

/// One line about the lens for the header of the map.
std::string lens_text(const profile::Profile& profile,
                      const lens::Lens& lens,
                      const std::string& channel) {
  std::string text = profile.labels.lens.empty() ? "lens not named" : profile.labels.lens;
  if (!profile.labels.serial.empty()) text += fmt::format(", serial {}", profile.labels.serial);
  if (!channel.empty()) text += fmt::format(", {} channel", channel);
  text += fmt::format(", {}", lens::model_name(lens.model));
  if (const auto focal_mm = lens::focal_mm(lens)) {
    text += fmt::format(", {:.4f} x {:.4f} mm", focal_mm->x(), focal_mm->y());
  }
  return text + fmt::format(", {:.4f} x {:.4f} px, {} {}",
                            lens.focal_px.x(),
                            lens.focal_px.y(),
                            profile::made_words(profile),
                            profile.provenance.created);
}

/// Fills the hand-off and refuses what would be in its way.
Result<void> prepare_handoff(const Options& options,
                             const profile::Profile& profile,
                             const PlateRequest& request,
                             const warp::Overscan& overscan,
                             const CommonOptions& common,
                             HandoffFiles& files) {
  if (!files.wanted()) return {};
  warp::MapOptions map = request.map;
  map.overscan_px = overscan.edges;
  const Result<warp::Handoff> handoff =
      warp::make_handoff(request.lenses.front(), map, request.filter);
  if (!handoff) return fail(handoff.error());
  HandoffNotes notes = handoff_notes(profile, request.lenses.front(), overscan.warnings);
  notes.undistort_map = std::filesystem::path(options.undistort).filename().string();
  notes.redistort_map = std::filesystem::path(options.redistort).filename().string();
  files.set_content(*handoff, notes);
  std::vector<std::string> outputs = files.outstanding();
  outputs.insert(outputs.end(), {options.undistort, options.redistort});
  return check_outputs(outputs, {options.profile}, common);
}

/// A map that is to be written for a frame of a shot.
struct MapJob {
  int frame = 0;
  warp::MapDirection direction = warp::MapDirection::kUndistort;
  std::string path;
};

/// Of each pattern that is given, for each frame.
Result<std::vector<MapJob>> map_jobs(const Options& options, const FrameLenses& lenses) {
  std::vector<MapJob> jobs;
  for (const auto& [direction, pattern] :
       {std::pair(warp::MapDirection::kUndistort, options.undistort),
        std::pair(warp::MapDirection::kRedistort, options.redistort)}) {
    if (pattern.empty()) continue;
    if (!footage::is_frame_pattern(pattern)) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: --per-frame writes a map for every frame; wanted a pattern such "
                              "as map.####.exr",
                              pattern));
    }
    for (const auto& [frame, at] : lenses.at_frames()) {
      const Result<std::filesystem::path> path = footage::path_for_frame(pattern, frame);
      if (!path) return fail(path.error());
      if (Result<void> writable = warp::check_writable_st_map(path->string(), options.compression);
          !writable) {
        return fail(writable.error());
      }
      jobs.push_back({frame, direction, path->string()});
    }
  }
  return jobs;
}

/// What the maps of a shot are made from.
struct Shot {
  ShotProfile profile;
  ShotRequest request;
  warp::Overscan overscan;
  std::vector<MapJob> jobs;
};

/// Writes the map of one frame; its data window.
Result<Window> write_frame_map(const Options& options,
                               const Shot& shot,
                               const MapJob& job,
                               const CommonOptions& common) {
  const PlateRequest& request = shot.request.at(job.frame);
  const lens::Lens& lens = request.lenses.front();
  warp::MapOptions map_options = request.map;
  const bool undistort = job.direction == warp::MapDirection::kUndistort;
  if (undistort) map_options.overscan_px = shot.overscan.edges;
  const Result<warp::StMap> map = undistort ? warp::make_undistort_map(lens, map_options)
                                            : warp::make_redistort_map(lens, map_options);
  if (!map) return fail(map.error());
  const profile::Profile& profile = shot.profile.profile;
  const warp::StMapWriteOptions write{.compression = options.compression,
                                      .overwrite = common.overwrite_policy(),
                                      .lens_text = lens_text(profile, lens, options.channel),
                                      .pixel_aspect = lens.pixel_aspect,
                                      .lens = shot.profile.lenses->attributes(profile, job.frame),
                                      .threads = common.threads};
  if (Result<void> written = warp::write_st_map(job.path, *map, write); !written) {
    return fail(written.error());
  }
  return map->output.data;
}

/// Maps for every frame, one after the other; the data window of those that straighten, else of
/// those that bend.
Result<Window> write_frame_maps(const Options& options,
                                const Shot& shot,
                                const CommonOptions& common) {
  Progress progress(common, "maps");
  std::optional<Window> data;
  int written = 0;
  for (const MapJob& job : shot.jobs) {
    if (is_interrupted(&interrupt_flag())) return interruption();
    const Result<Window> window = write_frame_map(options, shot, job, common);
    if (!window) return fail(window.error());
    if (!data) data = *window;
    progress.update(++written, static_cast<int>(shot.jobs.size()), job.path);
  }
  return data.value_or(Window{});
}

/// Fills the hand-off of a shot and refuses what would be in its way.
Result<void> prepare_handoff(const Options& options,
                             const Shot& shot,
                             const CommonOptions& common,
                             HandoffFiles& files) {
  if (!files.wanted()) return {};
  Result<ShotHandoff> handoff =
      shot_handoff(shot.profile.profile, *shot.profile.lenses, shot.request, shot.overscan);
  if (!handoff) return fail(handoff.error());
  handoff->notes.undistort_map = std::filesystem::path(options.undistort).filename().string();
  handoff->notes.redistort_map = std::filesystem::path(options.redistort).filename().string();
  files.set_content(shot_handoff_json(*handoff), shot_handoff_text(*handoff));
  std::vector<std::string> outputs = files.outstanding();
  for (const MapJob& job : shot.jobs) outputs.push_back(job.path);
  return check_outputs(outputs, {options.profile}, common);
}

int run_per_frame(const Options& options, HandoffFiles files, const CommonOptions& common) {
  Result<ShotProfile> profile = read_shot_profile({.path = options.profile,
                                                   .state = options.state,
                                                   .per_frame = options.per_frame,
                                                   .by_colour = !options.channel.empty(),
                                                   .threads = common.threads});
  if (!profile) return report_failure(profile.error());
  Shot shot{.profile = *std::move(profile), .request = {}, .overscan = {}, .jobs = {}};
  const FrameLenses& lenses = *shot.profile.lenses;
  Result<std::vector<MapJob>> jobs = map_jobs(options, lenses);
  if (!jobs) return report_usage(jobs.error());
  shot.jobs = *std::move(jobs);
  std::vector<std::string> outputs;
  for (const MapJob& job : shot.jobs) outputs.push_back(job.path);
  if (Result<void> free = check_outputs(outputs, {options.profile}, common); !free) {
    return report_failure(free.error());
  }
  Result<ShotRequest> request =
      read_shot_plate_options(options.plate, lenses, options.channel, common.threads);
  if (!request) return report_usage(request.error());
  shot.request = *std::move(request);
  const Result<warp::Overscan> overscan = shot_overscan(shot.request);
  if (!overscan) return report_failure(overscan.error());
  shot.overscan = *overscan;
  if (Result<void> free = prepare_handoff(options, shot, common, files); !free) {
    return report_failure(free.error());
  }
  std::vector<Warning> warnings = shot.profile.warnings;
  warnings.insert(warnings.end(), overscan->warnings.begin(), overscan->warnings.end());
  report_warnings(warnings, common);
  // Told already.
  warnings.insert(warnings.begin(), options.plate.warnings.begin(), options.plate.warnings.end());
  footage::set_io_threads(common.threads);
  const Result<Window> data = write_frame_maps(options, shot, common);
  if (!data) return report_failure(data.error());
  if (Result<void> written = files.write(common.overwrite_policy()); !written) {
    return report_failure(written.error());
  }
  print(common, lenses.text() + fmt::format("{} maps written\n", shot.jobs.size()));
  report_handoff(files, common);
  nlohmann::json json = {
      {"warnings", warnings_json(warnings)},
      {"lenses", lenses.json()},
      {"data_window",
       {{"x", data->x}, {"y", data->y}, {"width", data->width}, {"height", data->height}}}};
  if (!options.channel.empty()) json["channel"] = options.channel;
  if (files.wanted()) json["handoff"] = files.json_path().string();
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

int run(const Options& options, const CommonOptions& common) {
  if (!options.channel.empty() && !is_colour(options.channel)) {
    return report_usage(
        {ErrorCode::kInvalidInput,
         fmt::format("--channel: '{}' is not red, green or blue", options.channel)});
  }
  if (options.undistort.empty() && options.redistort.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "say which maps to write: --undistort FILE, --redistort FILE or both"});
  }
  Result<HandoffFiles> files = HandoffFiles::create(
      options.handoff, options.undistort.empty() ? options.redistort : options.undistort);
  if (!files) return report_usage(files.error());
  if (options.per_frame.given()) return run_per_frame(options, *std::move(files), common);
  if (options.per_frame.smooth_frames > 0.0) return report_usage(smooth_alone());
  if (Result<void> free =
          check_outputs({options.undistort, options.redistort}, {options.profile}, common);
      !free) {
    return report_failure(free.error());
  }
  for (const std::string& path : {options.undistort, options.redistort}) {
    if (path.empty()) continue;
    if (footage::is_frame_pattern(path)) {
      return report_usage({ErrorCode::kInvalidInput,
                           fmt::format("{}: a pattern is for a map of every frame, with "
                                       "--per-frame; wanted the name of one file",
                                       path)});
    }
    if (Result<void> writable = warp::check_writable_st_map(path, options.compression); !writable) {
      return report_usage(writable.error());
    }
  }
  const Result<ProfileAtState> at_state = read_profile_at(options.profile, options.state);
  if (!at_state) return report_failure(at_state.error());
  const profile::Profile& profile = at_state->profile;
  report_warnings(at_state->warnings, common);
  const Result<std::vector<lens::Lens>> lenses =
      lenses_of(profile, options.profile, options.channel);
  if (!lenses) return report_failure(lenses.error());
  Result<PlateRequest> request = read_plate_options(options.plate, *lenses, common.threads);
  if (!request) return report_usage(request.error());
  const Result<warp::Overscan> overscan =
      warp::common_overscan(request->lenses, request->overscan, request->overscan_options);
  if (!overscan) return report_failure(overscan.error());
  const lens::Lens& lens = request->lenses.front();
  if (Result<void> free = prepare_handoff(options, profile, *request, *overscan, common, *files);
      !free) {
    return report_failure(free.error());
  }
  const warp::StMapWriteOptions write{.compression = options.compression,
                                      .overwrite = common.overwrite_policy(),
                                      .lens_text = lens_text(profile, lens, options.channel),
                                      .pixel_aspect = lens.pixel_aspect,
                                      .lens = lens_attributes(profile),
                                      .threads = common.threads};
  footage::set_io_threads(common.threads);

  std::vector<Warning> warnings = options.plate.warnings;
  warnings.insert(warnings.end(), overscan->warnings.begin(), overscan->warnings.end());
  nlohmann::json json = {{"warnings", warnings_json(warnings)}};
  if (!options.channel.empty()) json["channel"] = options.channel;
  for (const warp::MapDirection direction :
       {warp::MapDirection::kUndistort, warp::MapDirection::kRedistort}) {
    const bool undistort = direction == warp::MapDirection::kUndistort;
    const std::string& path = undistort ? options.undistort : options.redistort;
    if (path.empty()) continue;
    if (is_interrupted(&interrupt_flag())) return report_failure(interruption().error);
    warp::MapOptions map_options = request->map;
    if (undistort) map_options.overscan_px = overscan->edges;
    const Result<warp::StMap> map = undistort ? warp::make_undistort_map(lens, map_options)
                                              : warp::make_redistort_map(lens, map_options);
    if (!map) return report_failure(map.error());
    if (Result<void> written = warp::write_st_map(path, *map, write); !written) {
      return report_failure(written.error());
    }
    const Window& data = map->output.data;
    print(common,
          fmt::format("{} map: {}x{}{}, t from the {} -> {}\n",
                      warp::to_text(direction),
                      data.width,
                      data.height,
                      data == map->output.display
                          ? ""
                          : fmt::format(" around a {}x{} display window (overscan {},{},{},{})",
                                        map->output.display.width,
                                        map->output.display.height,
                                        overscan->edges.left,
                                        overscan->edges.top,
                                        overscan->edges.right,
                                        overscan->edges.bottom),
                      map->t_origin == warp::TOrigin::kBottomLeft ? "bottom" : "top",
                      path));
    json[std::string(warp::to_text(direction))] = map_json(path, *map);
  }
  if (Result<void> written = files->write(common.overwrite_policy()); !written) {
    return report_failure(written.error());
  }
  report_handoff(*files, common);
  if (files->wanted()) json["handoff"] = files->json_path().string();
  report_warnings(overscan->warnings, common);
  if (Result<void> written = write_json(common, json); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_stmap(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  add_state_options(app, options->state);
  add_per_frame_options(app, options->per_frame, OwnHeaders::kNo);
  app.add_option("--undistort", options->undistort, "write the map that straightens plates")
      ->type_name("FILE");
  app.add_option("--redistort", options->redistort, "write the map that bends renders back")
      ->type_name("FILE");
  one_of(app.add_option(
             "--channel", options->channel, "for one colour of a profile that has three lenses"),
         {"red", "green", "blue"});
  add_plate_options(app, options->plate);
  one_of(app.add_option("--compression", options->compression, "of the EXR"),
         {"zip", "zips", "piz", "rle", "none"})
      ->capture_default_str();
  add_handoff_option(app, options->handoff);
  return [options, &app](const CommonOptions& common) {
    options->plate.warnings = unused_round(app, options->plate.overscan);
    report_warnings(options->plate.warnings, common);
    return run(*options, common);
  };
}

}  // namespace trueplate::cli
