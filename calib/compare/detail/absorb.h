#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/lens/lens.h"

namespace trueplate::compare::detail {

/// Two lenses on one plate, ray by ray: where each node's ray, as the first lens has it, is imaged
/// by the second.
struct RayField {
  std::vector<Point2d> first_px;   // the nodes
  std::vector<Point2d> second_px;  // after the motion below
  Eigen::MatrixXd by_motion;       // 2 nodes x 4: derivatives of second_px, x and y alternating
  Eigen::Vector3d turn_rad = Eigen::Vector3d::Zero();  // of the second camera, as a rotation vector
  double focal_ratio = 1.0;                            // by which the second picture was enlarged
};

/// The field as it stands; nodes that one of the lenses does not see are left out.
[[nodiscard]] RayField ray_field(const lens::Lens& first, const lens::Lens& second);

/// The field after the turn of the camera and common change of focal length that bring the places
/// nearest to each other (least squares), which a camera solve would find. nullopt when fewer than
/// kFewestNodes are seen.
[[nodiscard]] std::optional<RayField> absorbed_field(const lens::Lens& first,
                                                     const lens::Lens& second);
inline constexpr std::size_t kFewestNodes = 20;

/// second less first, x and y alternating.
[[nodiscard]] Eigen::VectorXd differences(const RayField& field);

}  // namespace trueplate::compare::detail
