#pragma once

#include <string>
#include <string_view>

#include "calib/profile/profile.h"

namespace trueplate::profile {

/// What a profile holds, in words, for a person: several lines, each ended by a line break, at most
/// about 100 columns. Which lens and plate, focal length and field of view, how much it distorts,
/// the coefficients with their standard deviations, how good the fit is, warnings and provenance.
/// The profile must be valid (read_profile, validate). The distortion figures are those of
/// calib/lens/distortion_measures.h. Text from the file is shown with control characters replaced,
/// so that a hostile label cannot drive a terminal.
[[nodiscard]] std::string describe(const Profile& profile);

/// What the day in Provenance::created is, in front of it: "calibrated" where a station was fitted
/// to footage, else "profile made", since the day of a conversion is none of calibration.
[[nodiscard]] std::string_view made_words(const Profile& profile);

}  // namespace trueplate::profile
