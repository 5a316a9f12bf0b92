#pragma once

#include <optional>

#include "calib/plate/detail/first_scene.h"
#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// Sets the frames and tracks that have no place in the scene.
void note_unsolved(const Scene& scene, Trial& trial);

/// Of a solved trial: warnings, the findings in their order, and whether its lens is one.
/// `lacking` is what the motion lacks, `beside` what it says of the lens or the focal length.
void conclude(const Tracks& tracks,
              const LensTrials& trials,
              std::optional<Finding> lacking,
              const std::optional<Finding>& beside,
              double scale,
              Trial& trial);

}  // namespace trueplate::plate::detail
