#include "calib/lens/rational.h"

#include <algorithm>
#include <cmath>

#include "calib/lens/detail/gradient_domain.h"
#include "calib/lens/detail/inverse.h"

namespace trueplate::lens {

Rational::Rational(const std::array<double, 8>& parameters)
    : parameters_(parameters), max_image_radius_(std::numeric_limits<double>::infinity()) {
  const auto& [k1, k2, k3, k4, k5, k6, p1, p2] = parameters;
  const double q = std::hypot(p1, p2);
  max_radius_ = detail::gradient_domain_radius({1.0, k1, k2, k3}, {1.0, k4, k5, k6}, q);
  if (!std::isfinite(max_radius_)) return;
  // The radial part grows up to the edge; the tangential one is at most 3 |q| r^2 long.
  const std::array<double, 8> radial_only{k1, k2, k3, k4, k5, k6, 0.0, 0.0};
  const Point2d edge(max_radius_ * (1.0 - 1e-9), 0.0);
  const double reach = distort(edge, radial_only.data()).x();
  max_image_radius_ = (reach + 3.0 * q * max_radius_ * max_radius_) * (1.0 + 1e-6);
}

std::optional<Point2d> Rational::distort(const Point2d& p_ideal) const {
  // Written so that a NaN fails.
  if (!(p_ideal.norm() < max_radius_)) return std::nullopt;
  const Point2d p = distort(p_ideal, parameters_.data());
  if (!p.allFinite()) return std::nullopt;
  return p;
}

std::optional<Point2d> Rational::undistort(const Point2d& p_distorted) const {
  // Beyond 1e154 the norm overflows, and an infinite tolerance would accept anything.
  if (!std::isfinite(p_distorted.squaredNorm())) return std::nullopt;
  const double height = p_distorted.norm();
  if (height > max_image_radius_) return std::nullopt;
  const double limit = 0.95 * max_radius_;
  const Point2d start = height < limit ? p_distorted : Point2d(p_distorted * (limit / height));
  return detail::inverse_of(
      [&](const Point2d& p) { return detail::local_map<Rational>(p, parameters_.data()); },
      [&](const Point2d& p) { return p.norm() < max_radius_; },
      p_distorted,
      kInverseTolerance * std::max(1.0, height),
      start);
}

}  // namespace trueplate::lens
