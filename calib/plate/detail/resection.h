#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>
#include <vector>

#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// A known point and where a camera sees it, ideal.
struct Sight {
  Eigen::Vector3d point = Eigen::Vector3d::Zero();
  Point2d p_ideal = {0.0, 0.0};
};

/// The pose of a camera that sees known points, of which up to half may be wrong: three points a
/// sample (OpenCV's P3P), the least quantile of squares, then refine_pose(). nullopt for fewer than
/// kFewestSights, and where most are not seen in front.
[[nodiscard]] std::optional<PoseVector> resect(std::span<const Sight> sights);
inline constexpr std::size_t kFewestSights = 5;

/// Moves a pose to the smallest sum of Cauchy's loss of the distances on the plane z = 1.
[[nodiscard]] PoseVector refine_pose(std::span<const Sight> sights,
                                     double cauchy_scale,
                                     const PoseVector& start);

/// A camera and where it sees the point that is looked for.
struct Bearing {
  PoseVector pose = PoseVector::Zero();
  Point2d p_ideal = {0.0, 0.0};
};

/// The point that cameras see: linear over all (R. Hartley and P. Sturm, Triangulation, 1997), then
/// refined with Cauchy's loss of the given scale, so that some may be wrong. nullopt for fewer than
/// two, for rays that meet at less than `smallest_angle` (rad), and behind a camera.
[[nodiscard]] std::optional<Eigen::Vector3d> triangulate(std::span<const Bearing> bearings,
                                                         double cauchy_scale,
                                                         double smallest_angle);

}  // namespace trueplate::plate::detail
