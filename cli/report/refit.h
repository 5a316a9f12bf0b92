#pragma once

#include <filesystem>
#include <vector>

#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/fit/fit.h"
#include "calib/profile/profile.h"
#include "calib/target/view.h"

namespace trueplate::cli {

/// Observations, and the fit of a station's model to them.
struct Refit {
  std::vector<target::View> views;
  fit::LensFit fit;
  std::vector<Warning> warnings;  // `other-observations`
};

/// Another lens than this far from the profile's, at the worst place after turn and focal length,
/// is warned of: the observations are then not those the profile was made from.
inline constexpr double kSameLensPx = 0.05;

/// A profile states how good its fit was, not where each point missed. That is found by fitting the
/// station's model to the observations once more, without the frames that the profile says were
/// left out; where the focal length was held, holding it. Errors: those of reading and of the fit;
/// a plate of another size.
Result<Refit> refit(const profile::Profile& profile,
                    const profile::Station& station,
                    const std::filesystem::path& observations,
                    int threads);

}  // namespace trueplate::cli
