#pragma once

#include <string>
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

/// The verdict on a shot with nothing to be found: what it says of lens and focal length, and what
/// it leaves open, since poses and points hide most of either. Good or lens, where a lens that it
/// does not quite show would move points. `figures`: the average error in words.
[[nodiscard]] Finding good_finding(const std::string& figures,
                                   const Trial& trial,
                                   const LensTrials& trials,
                                   double scale);

/// Where neither lens nor focal length brings the errors near what a solve has, most markers are
/// off, and what little these explain of it says nothing about them.
void add_hopeless(const LensTrials& trials, double scale, std::vector<Finding>& findings);

}  // namespace trueplate::plate::detail
