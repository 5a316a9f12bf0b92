#pragma once

#include <string>

#include "cli/command.h"
#include "cli/lens_options.h"
#include "cli/map_options.h"

namespace trueplate::cli {

/// An ST-map that is turned into a profile.
struct MapConversion {
  std::string input;
  std::string output;
  std::string model;
  LensOptions lens;
  MapArguments map;
};
/// Returns the exit status.
int run_map(const MapConversion& options, const CommonOptions& common);

}  // namespace trueplate::cli
