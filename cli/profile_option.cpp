#include "cli/profile_option.h"
#include "cli/version.h"

#include <fmt/format.h>

#include <fstream>
#include <string_view>

namespace trueplate::cli {

namespace {

/// Whether a file begins as the OpenEXR file layout has it: bytes 0x76 0x2F 0x31 0x01.
bool is_exr(const std::string& path) {
  char magic[4] = {};
  std::ifstream(path, std::ios::binary).read(magic, sizeof(magic));
  return std::string_view(magic, sizeof(magic)) == std::string_view("\x76\x2f\x31\x01", 4);
}

}  // namespace

Result<profile::Profile> read_lens_profile(const std::string& path) {
  if (is_exr(path)) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: an EXR picture, wanted a lens profile; through an ST-map pictures "
                            "go with `apply`, and `convert` makes a profile of one",
                            path));
  }
  return profile::read_profile(path);
}

Result<profile::Profile> read_single_profile(const std::string& path) {
  Result<profile::Profile> profile = read_lens_profile(path);
  if (profile && profile->stations.size() != 1) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: holds {} stations, wanted one; `trueplate state` makes a profile of "
                    "one state",
                    path,
                    profile->stations.size()));
  }
  return profile;
}

Error no_colours(const std::string& path) {
  return {ErrorCode::kUnsupported,
          fmt::format("{}: holds one lens for all colours, wanted one each for red, green and "
                      "blue; calibrate with --per-channel",
                      path)};
}

std::vector<lens::Lens> sharing_lenses(const ColourLenses& colours, const std::string& channel) {
  const lens::Lens& wanted = channel == "red"    ? colours.red
                             : channel == "blue" ? colours.blue
                                                 : colours.green;
  return {wanted, colours.red, colours.green, colours.blue};
}

Result<ColourLenses> colour_lenses(const profile::Profile& profile, const std::string& path) {
  const profile::Station& station = profile.stations.front();
  if (!station.channels) return fail(no_colours(path));
  return ColourLenses{station.channels->red.lens, station.lens, station.channels->blue.lens};
}

warp::LensAttributes lens_attributes(const profile::Profile& profile) {
  const profile::Station& station = profile.stations.front();
  const std::optional<Point2d> focal_mm = lens::focal_mm(station.lens);
  return {.nominal_focal_mm = station.nominal_focal_mm,
          .pinhole_focal_mm = focal_mm ? std::optional(focal_mm->x()) : std::nullopt,
          .focus_m = station.focus_m,
          .t_stop = station.t_stop,
          .entrance_pupil_mm = station.entrance_pupil_mm,
          .camera_model = profile.labels.body,
          .lens_model = profile.labels.lens,
          .lens_serial = profile.labels.serial,
          .program = fmt::format("trueplate {}", kVersion),
          .pixel_aspect = station.lens.pixel_aspect};
}

}  // namespace trueplate::cli
