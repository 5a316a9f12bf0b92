#pragma once

#include <Eigen/Core>
#include <optional>

#include "calib/plate/detail/motion.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

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
/// the radial terms of `intrinsics` (Scene::intrinsics), which move the corners by
/// `corner_shift_px`.
[[nodiscard]] Finding lens_by_motion(double before_px,
                                     double after_px,
                                     const Eigen::Vector3d& intrinsics,
                                     double corner_shift_px);

/// The focal length as seen by the motion alone: what a turn leaves of it with the one given and
/// with the one that leaves least.
[[nodiscard]] Finding focal_by_motion(double before_px,
                                      double after_px,
                                      double given_px,
                                      double found_px);

/// Parallax (root mean square, for a plate 2048 px wide) below which depths are worth little.
inline constexpr double kLittleParallaxPx = 3.0;

}  // namespace trueplate::plate::detail
