#include "cli/map_options.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <filesystem>

#include "calib/base/text.h"
#include "cli/help/spelling.h"
#include "cli/plate_options.h"

namespace trueplate::cli {

void add_map_options(CLI::App& app, MapArguments& arguments) {
  const OptionsUnder heading(app, "The map that is read");
  one_of(app.add_option(
             "--origin",
             arguments.origin,
             "where t counts from in the map; auto: as its header says, else as t grows in it"),
         {"auto", "bottom-left", "top-left"})
      ->capture_default_str();
  app.add_option(
         "--source",
         arguments.source,
         "size of the picture that the map looks into; default: as its header says, else its "
         "own")
      ->type_name("WxH");
  app.add_option("--map-channels",
                 arguments.channels,
                 "which channels are s and t: a layer or part, or two names; default: R,G")
      ->type_name("NAME|S,T");
}

void add_map_direction(CLI::App& app, MapArguments& arguments) {
  const OptionsUnder heading(app, "The map that is read");
  one_of(app.add_option(
             "--direction",
             arguments.direction,
             "what the map makes: undistort (the straight picture) or redistort (the plate); "
             "default: as its header says, else undistort"),
         {"undistort", "redistort"});
}

Result<warp::StMapAssumptions> map_assumptions(const MapArguments& arguments) {
  warp::StMapAssumptions assumptions{.channels = arguments.channels};
  if (arguments.origin != "auto") {
    const Result<warp::TOrigin> origin = parse_origin(arguments.origin);
    if (!origin) return fail(origin.error().code, origin.error().message + ", nor auto");
    assumptions.t_origin = *origin;
  }
  if (arguments.direction == warp::to_text(warp::MapDirection::kRedistort)) {
    assumptions.direction = warp::MapDirection::kRedistort;
  } else if (arguments.direction == warp::to_text(warp::MapDirection::kUndistort)) {
    assumptions.direction = warp::MapDirection::kUndistort;
  } else if (!arguments.direction.empty()) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("--direction: '{}', wanted undistort or redistort", arguments.direction));
  }
  if (arguments.source.empty()) return assumptions;
  const Result<std::pair<int, int>> size = parse_size(arguments.source);
  if (!size) {
    return fail(ErrorCode::kInvalidInput, fmt::format("--source: {}", size.error().message));
  }
  assumptions.source_display = Window{0, 0, size->first, size->second};
  return assumptions;
}

bool is_map_name(const std::string& path) {
  std::string extension = std::filesystem::path(path).extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(), [](unsigned char c) {
    return static_cast<char>(std::tolower(c));
  });
  return extension == ".exr";
}

nlohmann::json map_json(const std::string& path, const warp::StMap& map) {
  const Window& data = map.output.data;
  return {{"file", path},
          {"display_window", {map.output.display.width, map.output.display.height}},
          {"data_window",
           {{"x", data.x}, {"y", data.y}, {"width", data.width}, {"height", data.height}}},
          {"t_origin", warp::to_text(map.t_origin)}};
}

}  // namespace trueplate::cli
