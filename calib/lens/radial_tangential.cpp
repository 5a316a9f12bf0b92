#include "calib/lens/radial_tangential.h"

#include <algorithm>
#include <cmath>

#include "calib/lens/detail/gradient_domain.h"

namespace trueplate::lens {
namespace {

/// Symmetric Jacobian [a b; b c] of the model at p.
struct Jacobian {
  double a, b, c;
};

Jacobian jacobian(const Point2d& p, const std::array<double, 5>& parameters) {
  const auto& [k1, k2, k3, p1, p2] = parameters;
  const double x = p.x();
  const double y = p.y();
  const double r2 = x * x + y * y;
  const double radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3));
  const double radial_slope = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3));  // 2 dR/d(r2)
  return {radial + x * x * radial_slope + 2.0 * p1 * y + 6.0 * p2 * x,
          x * y * radial_slope + 2.0 * p1 * x + 2.0 * p2 * y,
          radial + y * y * radial_slope + 6.0 * p1 * y + 2.0 * p2 * x};
}

/// Value of the strictly convex function whose minimum is the inverse of p_distorted.
double potential(const Point2d& p,
                 const Point2d& p_distorted,
                 const std::array<double, 5>& parameters) {
  const auto& [k1, k2, k3, p1, p2] = parameters;
  const double r2 = p.squaredNorm();
  return r2 * (0.5 + r2 * (k1 / 4.0 + r2 * (k2 / 6.0 + r2 * k3 / 8.0)) + p2 * p.x() + p1 * p.y()) -
         p_distorted.dot(p);
}

}  // namespace

RadialTangential::RadialTangential(const std::array<double, 5>& parameters)
    : parameters_(parameters),
      max_radius_(detail::gradient_domain_radius({1.0, parameters[0], parameters[1], parameters[2]},
                                                 {1.0},
                                                 std::hypot(parameters[3], parameters[4]))) {}

std::optional<Point2d> RadialTangential::distort(const Point2d& p_ideal) const {
  // Written so that a NaN fails.
  if (!(p_ideal.norm() < max_radius_)) return std::nullopt;
  const Point2d p = distort(p_ideal, parameters_.data());
  if (!p.allFinite()) return std::nullopt;
  return p;
}

std::optional<Point2d> RadialTangential::undistort(const Point2d& p_distorted) const {
  // Beyond 1e154 the norm overflows, and an infinite tolerance would accept anything.
  if (!std::isfinite(p_distorted.squaredNorm())) return std::nullopt;
  const double tolerance = kInverseTolerance * std::max(1.0, p_distorted.norm());

  // The start has to lie in the open domain. p_distorted itself is nearly always close.
  Point2d p = p_distorted;
  if (!(p.norm() < 0.95 * max_radius_)) p *= 0.95 * max_radius_ / p.norm();
  double value = potential(p, p_distorted, parameters_);
  for (int step = 0; step < kMaxInverseSteps; ++step) {
    const Point2d residual = distort(p, parameters_.data()) - p_distorted;
    if (residual.norm() <= tolerance) return p;
    const auto [a, b, c] = jacobian(p, parameters_);
    const double determinant = a * c - b * b;
    if (!(determinant > 0.0)) return std::nullopt;  // rounding at the very edge of the domain
    const Point2d newton(-(c * residual.x() - b * residual.y()) / determinant,
                         -(a * residual.y() - b * residual.x()) / determinant);
    // Halve until the point is inside and the potential falls (Armijo's rule with a small factor;
    // the slope along the Newton direction is negative because the Jacobian is positive definite).
    const double slope = residual.dot(newton);
    double length = 1.0;
    bool accepted = false;
    for (int halving = 0; halving < 60 && !accepted; ++halving, length *= 0.5) {
      const Point2d candidate = p + length * newton;
      if (!(candidate.norm() < max_radius_)) continue;
      const double candidate_value = potential(candidate, p_distorted, parameters_);
      const double residual_after = (distort(candidate, parameters_.data()) - p_distorted).norm();
      // Close to the minimum the potential no longer resolves the progress; the residual does.
      if (candidate_value <= value + 1e-4 * length * slope ||
          residual_after < 0.5 * residual.norm()) {
        p = candidate;
        value = candidate_value;
        accepted = true;
      }
    }
    if (!accepted) return std::nullopt;
  }
  return std::nullopt;
}

}  // namespace trueplate::lens
