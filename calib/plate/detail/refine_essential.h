#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>

#include "calib/plate/two_view.h"

namespace trueplate::plate::detail {

/// The essential matrix near `start` with the smallest sum of Sampson's distances squared, by the
/// Gauss-Newton method over a rotation and a direction; nullopt when it finds none.
[[nodiscard]] std::optional<Eigen::Matrix3d> refine_essential(const Eigen::Matrix3d& start,
                                                              std::span<const PointPair> pairs);

}  // namespace trueplate::plate::detail
