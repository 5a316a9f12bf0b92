#include <fmt/format.h>

#include <memory>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/text.h"
#include "calib/footage/frame.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/profile_option.h"
#include "warp/io/st_map_file.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  std::string undistort;
  std::string redistort;
  std::string size;
  std::string overscan = "auto";
  std::string origin = "bottom-left";
  std::string compression = "zip";
  std::string channel;  // empty: one lens for all
  int round_to = 2;
};

/// What the options mean, checked before anything is computed.
struct Request {
  lens::Lens lens;
  std::vector<lens::Lens> all;  // that share the overscan: it, or those of the three colours
  warp::MapOptions map;
  warp::OverscanRequest overscan_request;
};

Result<warp::TOrigin> parse_origin(const std::string& text) {
  for (const warp::TOrigin origin : {warp::TOrigin::kBottomLeft, warp::TOrigin::kTopLeft}) {
    if (text == warp::to_text(origin)) return origin;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("--origin: '{}' is not bottom-left or top-left", text));
}

bool is_colour(std::string_view word) { return word == "red" || word == "green" || word == "blue"; }

/// The lens for a plate of the size asked for.
Result<lens::Lens> sized(const Options& options, const lens::Lens& calibrated) {
  if (options.size.empty()) return calibrated;
  const Result<std::pair<int, int>> size = parse_size(options.size);
  if (!size) {
    return fail(ErrorCode::kInvalidInput, fmt::format("--size: {}", size.error().message));
  }
  Result<lens::Lens> lens = lens::for_picture_of(calibrated, {size->first, size->second});
  if (!lens) {
    return fail(ErrorCode::kInvalidInput, fmt::format("--size: {}", lens.error().message));
  }
  return lens;
}

/// The calibrated lenses, the one whose map is wanted first, then, by colour, red, green, blue.
Result<std::vector<lens::Lens>> lenses_of(const Options& options, const profile::Profile& profile) {
  if (options.channel.empty()) return std::vector{profile.stations.front().lens};
  Result<ColourLenses> colours = colour_lenses(profile, options.profile);
  if (!colours) return fail(colours.error());
  const lens::Lens& wanted = options.channel == "red"    ? colours->red
                             : options.channel == "blue" ? colours->blue
                                                         : colours->green;
  return std::vector{wanted, colours->red, colours->green, colours->blue};
}

Result<Request> request_of(const Options& options,
                           const std::vector<lens::Lens>& calibrated,
                           int threads) {
  Request request;
  for (const lens::Lens& lens : calibrated) {
    Result<lens::Lens> fitting = sized(options, lens);
    if (!fitting) return fail(fitting.error());
    request.all.push_back(*std::move(fitting));
  }
  request.lens = request.all.front();
  if (!options.channel.empty()) {
    // That of green, or the three pictures would not lie on each other.
    const lens::Lens& green = request.all[2];
    request.map.straight = warp::StraightPinhole{green.focal_px, green.principal_point_px};
  }
  const Result<warp::OverscanRequest> overscan = warp::parse_overscan(options.overscan);
  if (!overscan) return fail(overscan.error());
  const Result<warp::TOrigin> origin = parse_origin(options.origin);
  if (!origin) return fail(origin.error());
  request.overscan_request = *overscan;
  request.map.t_origin = *origin;
  request.map.threads = threads;
  return request;
}

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
  return text + fmt::format(", {:.4f} x {:.4f} px, calibrated {}",
                            lens.focal_px.x(),
                            lens.focal_px.y(),
                            profile.provenance.created);
}

nlohmann::json map_json(const std::string& path, const warp::StMap& map) {
  const Window& data = map.output.data;
  return {{"file", path},
          {"display_window", {map.output.display.width, map.output.display.height}},
          {"data_window",
           {{"x", data.x}, {"y", data.y}, {"width", data.width}, {"height", data.height}}},
          {"t_origin", warp::to_text(map.t_origin)}};
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
  if (Result<void> free =
          check_outputs({options.undistort, options.redistort}, {options.profile}, common);
      !free) {
    return report_failure(free.error());
  }
  for (const std::string& path : {options.undistort, options.redistort}) {
    if (path.empty()) continue;
    if (Result<void> writable = warp::check_writable_st_map(path, options.compression); !writable) {
      return report_usage(writable.error());
    }
  }
  const Result<profile::Profile> profile = read_single_profile(options.profile);
  if (!profile) return report_failure(profile.error());
  const Result<std::vector<lens::Lens>> lenses = lenses_of(options, *profile);
  if (!lenses) return report_failure(lenses.error());
  const Result<Request> request = request_of(options, *lenses, common.threads);
  if (!request) return report_usage(request.error());
  const Result<warp::Overscan> overscan =
      warp::common_overscan(request->all,
                            request->overscan_request,
                            {.round_to = options.round_to, .straight = request->map.straight});
  if (!overscan) return report_failure(overscan.error());
  const warp::StMapWriteOptions write{
      .compression = options.compression,
      .overwrite = common.overwrite_policy(),
      .lens_text = lens_text(*profile, request->lens, options.channel),
      .pixel_aspect = request->lens.pixel_aspect,
      .threads = common.threads};
  footage::set_io_threads(common.threads);

  nlohmann::json json = {{"warnings", warnings_json(overscan->warnings)}};
  if (!options.channel.empty()) json["channel"] = options.channel;
  for (const warp::MapDirection direction :
       {warp::MapDirection::kUndistort, warp::MapDirection::kRedistort}) {
    const bool undistort = direction == warp::MapDirection::kUndistort;
    const std::string& path = undistort ? options.undistort : options.redistort;
    if (path.empty()) continue;
    if (interrupt_flag().load()) return report_failure({ErrorCode::kInterrupted, "interrupted"});
    warp::MapOptions map_options = request->map;
    if (undistort) map_options.overscan_px = overscan->edges;
    const Result<warp::StMap> map = undistort
                                        ? warp::make_undistort_map(request->lens, map_options)
                                        : warp::make_redistort_map(request->lens, map_options);
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
  app.add_option("--undistort", options->undistort, "write the map that straightens plates")
      ->type_name("FILE");
  app.add_option("--redistort", options->redistort, "write the map that bends renders back")
      ->type_name("FILE");
  app.add_option("--channel",
                 options->channel,
                 "for one colour of a profile that has three lenses: red, green or blue")
      ->type_name("NAME");
  app.add_option("--size", options->size, "for a plate of this size; default: as calibrated")
      ->type_name("WxH");
  app.add_option("--overscan",
                 options->overscan,
                 "none, auto (keep the whole plate), 8% or L,T,R,B in pixels")
      ->capture_default_str();
  app.add_option("--round", options->round_to, "round the overscan of each edge up to a multiple")
      ->check(CLI::Range(1, 1024))
      ->capture_default_str()
      ->type_name("N");
  app.add_option("--origin", options->origin, "where t counts from: bottom-left or top-left")
      ->capture_default_str();
  app.add_option("--compression", options->compression, "zip, zips, piz, rle or none")
      ->capture_default_str();
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
