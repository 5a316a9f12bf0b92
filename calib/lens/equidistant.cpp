#include "calib/lens/equidistant.h"

#include <algorithm>
#include <limits>
#include <numbers>

#include "calib/lens/detail/inverse.h"
#include "calib/lens/polynomial.h"

namespace trueplate::lens {
namespace {

constexpr double kRightAngle = 0.5 * std::numbers::pi;

}  // namespace

Equidistant::Equidistant(const std::array<double, 4>& parameters) : parameters_(parameters) {
  const auto& [k1, k2, k3, k4] = parameters;
  const double fold = first_positive_root(
      std::array{1.0, 0.0, 3.0 * k1, 0.0, 5.0 * k2, 0.0, 7.0 * k3, 0.0, 9.0 * k4});
  max_angle_ = std::min(fold, std::numbers::pi);
  max_radius_ =
      max_angle_ < kRightAngle ? std::tan(max_angle_) : std::numeric_limits<double>::infinity();
}

std::optional<Point2d> Equidistant::distort(const Point2d& p_ideal) const {
  const double r = p_ideal.norm();
  // Written so that a NaN fails.
  if (!(r < max_radius_) || !std::isfinite(r)) return std::nullopt;
  return distort_ray(Eigen::Vector3d(p_ideal.x(), p_ideal.y(), 1.0));
}

std::optional<Point2d> Equidistant::distort_ray(const Eigen::Vector3d& ray) const {
  // Scaled first, so that neither huge nor tiny vectors lose their squares.
  const double size = ray.cwiseAbs().maxCoeff();
  if (!ray.allFinite() || !(size > 0.0)) return std::nullopt;
  const Eigen::Vector3d scaled = ray / size;
  if (!(std::atan2(scaled.head<2>().norm(), scaled.z()) < max_angle_)) return std::nullopt;
  const Point2d p = distort_ray(scaled, parameters_.data());
  if (!p.allFinite()) return std::nullopt;
  return p;
}

std::optional<double> Equidistant::angle_at(double height, double end) const {
  const double k1 = parameters_[0];
  const double k2 = parameters_[1];
  const double k3 = parameters_[2];
  const double k4 = parameters_[3];
  return detail::increasing_root(
      [&](double t) -> detail::ValueAndSlope {
        const double t2 = t * t;
        return {
            .value = t * (1.0 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))),
            .slope = 1.0 + t2 * (3.0 * k1 + t2 * (5.0 * k2 + t2 * (7.0 * k3 + t2 * (9.0 * k4))))};
      },
      height,
      0.25 * kInverseTolerance * std::max(1.0, height),
      height,
      end);
}

std::optional<Point2d> Equidistant::undistort(const Point2d& p_distorted) const {
  const double height = p_distorted.norm();
  if (!std::isfinite(height)) return std::nullopt;
  const std::optional<double> angle = angle_at(height, std::min(max_angle_, kRightAngle));
  if (!angle) return std::nullopt;
  const Point2d p = height > 0.0 ? Point2d(p_distorted * (std::tan(*angle) / height)) : p_distorted;
  if (!(p.norm() < max_radius_)) return std::nullopt;
  return p;
}

std::optional<Eigen::Vector3d> Equidistant::undistort_to_ray(const Point2d& p_distorted) const {
  const double height = p_distorted.norm();
  if (!std::isfinite(height)) return std::nullopt;
  const std::optional<double> angle = angle_at(height, max_angle_);
  if (!angle) return std::nullopt;
  const Point2d sideways =
      height > 0.0 ? Point2d(p_distorted * (std::sin(*angle) / height)) : Point2d(0.0, 0.0);
  return Eigen::Vector3d(sideways.x(), sideways.y(), std::cos(*angle));
}

}  // namespace trueplate::lens
