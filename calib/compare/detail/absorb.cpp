#include "calib/compare/detail/absorb.h"

#include <Eigen/Dense>
#include <Eigen/Geometry>
#include <cmath>

#include "calib/base/decompositions.h"
#include "calib/fit/detail/map_uncertainty.h"

namespace trueplate::compare::detail {
namespace {

/// Three of the turn, then the logarithm of the ratio of focal lengths.
using Motion = Eigen::Vector4d;

Eigen::Vector3d moved(const Eigen::Vector3d& ray, const Motion& motion) {
  const double angle = motion.head<3>().norm();
  const Eigen::Vector3d turned =
      angle > 0.0 ? Eigen::Vector3d(Eigen::AngleAxisd(angle, motion.head<3>() / angle) * ray) : ray;
  const double ratio = std::exp(motion(3));
  return {turned.x() * ratio, turned.y() * ratio, turned.z()};
}

std::optional<Point2d> imaged(const lens::Lens& lens, const Eigen::Vector3d& ray) {
  const std::optional<Point2d> p = lens::distort_ray(lens.model, ray);
  if (!p) return std::nullopt;
  return lens::px_from_ideal(lens, *p);
}

RayField field_after(const lens::Lens& first, const lens::Lens& second, const Motion& motion) {
  constexpr double kStep = 1e-6;
  RayField field;
  std::vector<Eigen::Matrix<double, 2, 4>> slopes;
  for (const Point2d& p : fit::detail::plate_grid(first.plate_size)) {
    const std::optional<Eigen::Vector3d> ray =
        lens::undistort_to_ray(first.model, lens::ideal_from_px(first, p));
    if (!ray) continue;
    const std::optional<Point2d> q = imaged(second, moved(*ray, motion));
    if (!q) continue;
    Eigen::Matrix<double, 2, 4> slope;
    bool seen = true;
    for (int k = 0; k < 4 && seen; ++k) {
      const std::optional<Point2d> up =
          imaged(second, moved(*ray, motion + kStep * Motion::Unit(k)));
      const std::optional<Point2d> down =
          imaged(second, moved(*ray, motion - kStep * Motion::Unit(k)));
      seen = up.has_value() && down.has_value();
      if (seen) slope.col(k) = (*up - *down) / (2.0 * kStep);
    }
    if (!seen) continue;
    field.first_px.push_back(p);
    field.second_px.push_back(*q);
    slopes.push_back(slope);
  }
  field.by_motion.resize(2 * static_cast<Eigen::Index>(slopes.size()), 4);
  for (std::size_t i = 0; i < slopes.size(); ++i) {
    field.by_motion.middleRows<2>(2 * static_cast<Eigen::Index>(i)) = slopes[i];
  }
  field.turn_rad = motion.head<3>();
  field.focal_ratio = std::exp(motion(3));
  return field;
}

}  // namespace

RayField ray_field(const lens::Lens& first, const lens::Lens& second) {
  return field_after(first, second, Motion::Zero());
}

std::optional<RayField> absorbed_field(const lens::Lens& first, const lens::Lens& second) {
  constexpr int kMaxSteps = 20;
  constexpr double kSmall = 1e-12;
  Motion motion = Motion::Zero();
  RayField field;
  for (int step = 0; step < kMaxSteps; ++step) {
    field = field_after(first, second, motion);
    if (field.first_px.size() < kFewestNodes) return std::nullopt;
    const Motion change = least_squares(field.by_motion, differences(field));
    if (!change.allFinite()) return std::nullopt;
    if (change.cwiseAbs().maxCoeff() < kSmall) break;
    motion -= change;
  }
  return field;
}

Eigen::VectorXd differences(const RayField& field) {
  Eigen::VectorXd result(2 * static_cast<Eigen::Index>(field.first_px.size()));
  for (std::size_t i = 0; i < field.first_px.size(); ++i) {
    result.segment<2>(2 * static_cast<Eigen::Index>(i)) = field.second_px[i] - field.first_px[i];
  }
  return result;
}

}  // namespace trueplate::compare::detail
