#include "cli/profile_option.h"

#include <fmt/format.h>

namespace trueplate::cli {

Result<profile::Profile> read_single_profile(const std::string& path) {
  Result<profile::Profile> profile = profile::read_profile(path);
  if (profile && profile->stations.size() != 1) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: holds {} stations, wanted one; keep the station to use in a file of "
                    "its own",
                    path,
                    profile->stations.size()));
  }
  return profile;
}

Result<ColourLenses> colour_lenses(const profile::Profile& profile, const std::string& path) {
  const profile::Station& station = profile.stations.front();
  if (!station.channels) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: holds one lens for all colours, wanted one each for red, green "
                            "and blue; calibrate with --per-channel",
                            path));
  }
  return ColourLenses{station.channels->red.lens, station.lens, station.channels->blue.lens};
}

}  // namespace trueplate::cli
