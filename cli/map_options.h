#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/base/result.h"
#include "cli/command.h"
#include "warp/io/st_map_file.h"

namespace trueplate::cli {

/// What a command is told of ST-maps.
struct MapArguments {
  std::string origin = "auto";  // as the header says, else as the map tells
  std::string source;           // WxH; empty: as the header says, else the size of the map
  std::string direction;        // empty: as the header says, else undistort
  std::string channels;         // a layer, or two names; empty: R and G
};
void add_map_options(CLI::App& app, MapArguments& arguments);
/// --direction, for commands to which it matters.
void add_map_direction(CLI::App& app, MapArguments& arguments);

/// What they mean. Errors: kInvalidInput, words that make no sense.
Result<warp::StMapAssumptions> map_assumptions(const MapArguments& arguments);

/// Whether a file on the command line is meant as an ST-map: its name ends in .exr.
[[nodiscard]] bool is_map_name(const std::string& path);

/// What a map written to `path` is, for machines: file, display_window, data_window, t_origin.
nlohmann::json map_json(const std::string& path, const warp::StMap& map);

}  // namespace trueplate::cli
