#pragma once

#include <Eigen/Core>

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

/// The shot with its longest tracks only: no more than `most`.
[[nodiscard]] Shot thinned(const Shot& shot, std::size_t most);

}  // namespace trueplate::plate::detail
