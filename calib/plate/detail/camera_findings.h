#pragma once

#include <vector>

#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// Lens, focal length, both or none: what explains more comes first, the other only if it explains
/// something that the first does not.
void add_camera_findings(const Trial& trial,
                         const LensTrials& trials,
                         double scale,
                         std::vector<Finding>& findings);

/// Whether the tracks say that a focal length given is wrong, so that a camera with another is
/// worth having.
[[nodiscard]] bool doubts_focal(const LensTrials& trials, double scale);

/// Where neither lens nor focal length brings the errors near what a solve has, most markers are
/// off, and what little these explain of it says nothing about them.
void add_hopeless(const LensTrials& trials, double scale, std::vector<Finding>& findings);

}  // namespace trueplate::plate::detail
