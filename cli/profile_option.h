#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "warp/io/lens_attributes.h"

namespace trueplate::cli {

/// Reads a profile. A picture or map given in its place is refused with the command that takes it.
Result<profile::Profile> read_lens_profile(const std::string& path);

/// Reads a profile for a command that uses one state of the lens; one with several stations is
/// refused, because the first would be as good as any.
Result<profile::Profile> read_single_profile(const std::string& path);

/// The lenses of the three colours of a profile with one station.
struct ColourLenses {
  lens::Lens red;
  lens::Lens green;
  lens::Lens blue;
};
/// An error when the profile, read from `path`, was not fitted by colour.
Result<ColourLenses> colour_lenses(const profile::Profile& profile, const std::string& path);

/// What is said of a profile, read from `path`, that was not fitted by colour.
[[nodiscard]] Error no_colours(const std::string& path);
/// That of `channel` (red, green or blue), then those of red, green and blue.
[[nodiscard]] std::vector<lens::Lens> sharing_lenses(const ColourLenses& colours,
                                                     const std::string& channel);

/// What the station of such a profile knows for the headers of pictures.
warp::LensAttributes lens_attributes(const profile::Profile& profile);

}  // namespace trueplate::cli
