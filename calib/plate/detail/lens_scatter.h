#pragma once

#include <Eigen/Core>
#include <optional>

#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// Tracks drift, and errors of one frame are not independent of the next one's: the parts of a shot
/// then disagree about the lens by more than the noise of their points explains.
///
/// `covariance` of the free intrinsics, as independent points of `variance` have it at the optimum
/// `scene`, made as wide as the parts of the shot scatter: the jackknife's covariance (J. W. Tukey,
/// Annals of Mathematical Statistics 29, 1958, from memory; each time one Gauss-Newton step), once
/// with every kMostTrackGroups-th of the tracks left out and once with stretches of frames. A
/// direction is widened where chance makes such a scatter less often than once in five, and by what
/// Student's distribution is wider than Gauss's for so few groups. Empty when the lens hangs on one
/// of the groups.
[[nodiscard]] Eigen::MatrixXd widened_by_scatter(const Shot& shot,
                                                 const BundleOptions& options,
                                                 const Scene& scene,
                                                 double variance,
                                                 const Eigen::MatrixXd& covariance);

inline constexpr int kMostTrackGroups = 16;
inline constexpr int kMostStretches = 8;

/// How well the free intrinsics are known at the optimum `scene`, in the order of
/// IntrinsicsSystem.
struct IntrinsicsDoubt {
  Eigen::MatrixXd by_noise;    // covariance, of independent points
  Eigen::MatrixXd covariance;  // widened_by_scatter()
};

/// By the longest tracks, so that it stays affordable; `variance` of a point, px^2. nullopt when
/// the data do not determine them, or the lens hangs on one group of them.
[[nodiscard]] std::optional<IntrinsicsDoubt> intrinsics_doubt(const Shot& shot,
                                                              const BundleOptions& options,
                                                              const Scene& scene,
                                                              double variance);

}  // namespace trueplate::plate::detail
