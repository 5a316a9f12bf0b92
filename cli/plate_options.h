#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "cli/command.h"
#include "warp/overscan.h"
#include "warp/resample.h"
#include "warp/st_map.h"

namespace trueplate::cli {

/// The words of the options that say which plate, which overscan and which maps are meant, for
/// commands that see no frames.
struct PlateOptions {
  std::string size;
  std::string overscan = "auto";
  std::string filter = "cubic";
  std::string origin = "bottom-left";
  int round_to = 2;
  std::vector<Warning> warnings = {};  // of the command line itself: unused_round()
};
void add_plate_options(CLI::App& app, PlateOptions& options);

/// --round, of commands that have an --overscan.
void add_round_option(CLI::App& app, int& round_to, const std::string& help = "");
/// Doubt about --round beside an overscan that is taken as it is given. `unused-option` (value 1).
std::vector<Warning> unused_round(const CLI::App& app, const std::string& overscan);

/// The calibrated lenses of a profile that share a straight picture: the one whose map is wanted,
/// then, where `channel` is red, green or blue, those of red, green and blue. An error when the
/// profile, read from `path`, was not fitted by colour.
Result<std::vector<lens::Lens>> lenses_of(const profile::Profile& profile,
                                          const std::string& path,
                                          const std::string& channel);

/// What the options mean for these lenses.
struct PlateRequest {
  std::vector<lens::Lens> lenses;  // as lenses_of() gives them, at the size asked for
  warp::OverscanRequest overscan;
  warp::OverscanOptions overscan_options;
  warp::Filter filter = warp::Filter::kCubic;
  warp::MapOptions map;  // all but the overscan, which warp::common_overscan() finds
};
/// Errors are those of a wrong command line.
Result<PlateRequest> read_plate_options(const PlateOptions& options,
                                        const std::vector<lens::Lens>& calibrated,
                                        int threads);

/// The value of an option --origin.
Result<warp::TOrigin> parse_origin(const std::string& text);

/// `WIDTHxHEIGHT` with a unit, as --film-back takes it; 0.1 mm to 1 m a side.
Result<lens::FilmBack> parse_film_back(const std::string& text);

}  // namespace trueplate::cli
