#pragma once

#include <vector>

#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/detail/motion.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// The shot has too few common tracks: between the best frames, or those asked for.
[[nodiscard]] Finding too_few_common(const Tracks& tracks, const PairMotion& best);

/// What the motion lacks for a camera solve: nullopt when it has all.
///
/// Pure rotation: what a turn of the camera leaves is noise. One plane: a homography leaves noise,
/// a turn does not. Little parallax: a turn leaves less than kLittleParallaxPx.
[[nodiscard]] std::optional<Finding> motion_finding(const Tracks& tracks,
                                                    const PairMotion& motion,
                                                    double scale);

/// Up to how many times the noise counts as noise, for pairs with this many common tracks: the
/// pairs were chosen for what they differ by, and few tracks measure noise badly.
[[nodiscard]] double noise_factor(int num_common);

/// Parallax (root mean square, for a plate 2048 px wide) below which depths are worth little.
inline constexpr double kLittleParallaxPx = 3.0;

/// What the errors of a solved shot say, the largest share first; good when nothing else.
[[nodiscard]] std::vector<Finding> error_findings(const Tracks& tracks,
                                                  const Trial& trial,
                                                  const LensTrials& trials,
                                                  double scale);

}  // namespace trueplate::plate::detail
