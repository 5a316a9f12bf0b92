#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>
#include <vector>

#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

struct BundleOptions {
  bool free_focal = false;
  int num_radial = 0;      // 0 to 2 radial terms are free, the others keep their values
  double cauchy_px = 0.0;  // scale of Cauchy's loss; 0: least squares
  int max_iterations = 50;
  std::span<const char> frames = {};  // which frames take part; empty: all with a pose
};

struct BundleSummary {
  bool converged = false;
  double sum_of_squares = 0.0;  // of the residuals in plate pixels (of Cauchy's loss with one)
  int num_observations = 0;
};

/// Moves camera, poses and points of `scene` to where the sum of squared errors on the plate is
/// smallest: bundle adjustment (B. Triggs et al., Bundle Adjustment - A Modern Synthesis, 2000), in
/// Ceres. Observations take part that are used, whose frame takes part and has a pose, and whose
/// point is known and in front. The first pose stays, and the overall size, since the whole could
/// be moved and scaled as one.
///
/// Either the poses or the points are eliminated (Schur), whichever costs less: with a fixed number
/// of tracks the time is linear in the frames. Where the data leave focal length or radial terms
/// open, a weak pull (kPullPx) to their values at the start keeps them finite.
BundleSummary bundle(const Shot& shot, const BundleOptions& options, Scene& scene);

/// What the pull adds: so many pixels for a focal length off by the factor e, or a radial term off
/// by 1; far below what a thousand observations of a fifth of a pixel say.
inline constexpr double kPullPx = 0.5;

/// The intrinsics that are free (in the order focal, k1, k2; the focal one of ln f) with all poses
/// and points eliminated.
struct IntrinsicsSystem {
  Eigen::MatrixXd covariance;  // for observations of variance 1
  Eigen::VectorXd step;        // to the least-squares optimum, as far as one Gauss-Newton step goes
};

/// nullopt when the data do not determine them at all.
[[nodiscard]] std::optional<IntrinsicsSystem> intrinsics_system(const Shot& shot,
                                                                const BundleOptions& options,
                                                                const Scene& scene);

}  // namespace trueplate::plate::detail
