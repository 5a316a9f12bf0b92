#pragma once

#include <array>
#include <optional>
#include <vector>

#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/detail/motion.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// The shot has too few common tracks: between the best frames.
[[nodiscard]] Finding too_few_common(const Tracks& tracks, const PairMotion& best);

/// The keyframes asked for have too few; `best` has most.
[[nodiscard]] Finding too_few_in_keyframes(const Tracks& tracks,
                                           const std::array<int, 2>& keyframes,
                                           const PairMotion& best);

/// Frames without a camera, as a finding: where the chain of frames breaks, and which tracks end
/// there. nullopt when all frames have one.
[[nodiscard]] std::optional<Finding> broken_chain(const Tracks& tracks, const Trial& trial);

/// Share of frames without a camera above which that is the verdict.
inline constexpr double kMostUnsolved = 0.25;

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

/// What of a motion counts as noise, in plate pixels.
[[nodiscard]] double noise_limit_px(const PairMotion& motion, double scale);

/// The lens as seen by the motion alone: `before_px` is what is left of it without, `after_px` with
/// a k1 that moves the corners by `corner_shift_px`.
[[nodiscard]] Finding lens_by_motion(double before_px,
                                     double after_px,
                                     double k1,
                                     double corner_shift_px);

/// The focal length as seen by the motion alone: what a turn leaves of it with the one given and
/// with the one that leaves least.
[[nodiscard]] Finding focal_by_motion(double before_px,
                                      double after_px,
                                      double given_px,
                                      double found_px);

/// Parallax (root mean square, for a plate 2048 px wide) below which depths are worth little.
inline constexpr double kLittleParallaxPx = 3.0;

/// The first few of these tracks by name, and how many more there are.
[[nodiscard]] std::string listed_tracks(const Tracks& tracks, const std::vector<int>& which);

/// What the errors of a solved shot say, the largest share first; good when nothing else.
[[nodiscard]] std::vector<Finding> error_findings(const Tracks& tracks,
                                                  const Trial& trial,
                                                  const LensTrials& trials,
                                                  double scale);

}  // namespace trueplate::plate::detail
