#pragma once

#include <vector>

#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// What the errors of a solved shot say, the largest share first; good when nothing else.
[[nodiscard]] std::vector<Finding> error_findings(const Tracks& tracks,
                                                  const Trial& trial,
                                                  const LensTrials& trials,
                                                  double scale);

}  // namespace trueplate::plate::detail
