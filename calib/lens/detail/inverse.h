#pragma once

#include <algorithm>
#include <cmath>
#include <optional>

#include "calib/base/geometry.h"
#include "calib/lens/detail/dual.h"

namespace trueplate::lens::detail {

/// Image of a point with the Jacobian of the map there: [xx xy; yx yy], xy = dx'/dy.
struct LocalMap {
  Point2d image;
  double xx, xy, yx, yy;

  [[nodiscard]] double determinant() const { return xx * yy - xy * yx; }
};

/// Model::distort at p_ideal, differentiated automatically.
template <class Model>
[[nodiscard]] LocalMap local_map(const Point2d& p_ideal, const double* parameters) {
  const Point2<Dual<double>> p(Dual<double>(p_ideal.x(), 1.0, 0.0),
                               Dual<double>(p_ideal.y(), 0.0, 1.0));
  const Point2<Dual<double>> q = Model::distort(p, parameters);
  return {
      .image = {q.x().a, q.y().a}, .xx = q.x().dx, .xy = q.x().dy, .yx = q.y().dx, .yy = q.y().dy};
}

/// Newton steps after which an inverse gives up; three to five are usual.
inline constexpr int kMaxNewtonSteps = 60;

/// Newton's method from `start`, each step halved until it stays inside and the residual falls.
/// Where the determinant is positive throughout the domain, the residual has no minimum inside it
/// but the solution. nullopt when the iteration is caught at the domain's edge.
template <class Map, class Inside>
[[nodiscard]] std::optional<Point2d> damped_newton(
    const Map& map, const Inside& inside, const Point2d& target, double tolerance, Point2d start) {
  constexpr int kMaxHalvings = 30;
  Point2d p = start;
  LocalMap here = map(p);
  for (int step = 0; step < kMaxNewtonSteps; ++step) {
    const Point2d residual = here.image - target;
    const double distance = residual.norm();
    if (distance <= tolerance) return p;
    const double determinant = here.determinant();
    if (!(determinant > 0.0)) return std::nullopt;
    const Point2d newton(-(here.yy * residual.x() - here.xy * residual.y()) / determinant,
                         -(here.xx * residual.y() - here.yx * residual.x()) / determinant);
    double length = 1.0;
    int halving = 0;
    for (; halving < kMaxHalvings; ++halving, length *= 0.5) {
      const Point2d candidate = p + length * newton;
      if (!inside(candidate)) continue;
      const LocalMap there = map(candidate);
      if ((there.image - target).norm() <= (1.0 - 1e-4 * length) * distance) {
        p = candidate;
        here = there;
        break;
      }
    }
    if (halving == kMaxHalvings) return std::nullopt;
  }
  return std::nullopt;
}

/// The inverse of a map with positive Jacobian determinant on a domain that is star-shaped about 0:
/// the p inside with |map(p) - target| <= tolerance, or nullopt. First damped_newton() from
/// `start`; where that fails, the solution is followed along the straight line from the image of 0
/// to the target, which lies in the image of the domain whenever that is star-shaped, too.
/// Terminates for every input.
///
/// map      Point2d -> LocalMap, defined inside
/// inside   Point2d -> bool; false for NaN
template <class Map, class Inside>
[[nodiscard]] std::optional<Point2d> inverse_of(const Map& map,
                                                const Inside& inside,
                                                const Point2d& target,
                                                double tolerance,
                                                const Point2d& start) {
  if (inside(start)) {
    if (std::optional<Point2d> p = damped_newton(map, inside, target, tolerance, start)) return p;
  }
  constexpr double kSmallestStep = 1.0 / 4096.0;
  Point2d p(0.0, 0.0);
  const Point2d origin = map(p).image;
  double share = 0.0;
  for (double step = 0.25; share < 1.0;) {
    const double next = std::min(1.0, share + step);
    const std::optional<Point2d> q =
        damped_newton(map, inside, origin + next * (target - origin), tolerance, p);
    if (q) {
      p = *q;
      share = next;
      step *= 2.0;
    } else {
      step *= 0.5;
      if (step < kSmallestStep) return std::nullopt;
    }
  }
  return p;
}

/// Value and slope of a function of one variable.
struct ValueAndSlope {
  double value, slope;
};

/// The t in [0, end) where an increasing function with f(0) <= target reaches `target` to within
/// `tolerance`; nullopt when it does not get there. Newton's method, kept inside a bracket that it
/// halves where Newton would leave it. `end` must be finite. Terminates for every input.
template <class F>
[[nodiscard]] std::optional<double> increasing_root(
    const F& f, double target, double tolerance, double start, double end) {
  constexpr int kMaxSteps = 200;
  double low = 0.0;
  double high = end;
  double t = start < end ? start : 0.5 * end;
  for (int step = 0; step < kMaxSteps; ++step) {
    const auto [value, slope] = f(t);
    const double residual = value - target;
    if (std::abs(residual) <= tolerance) return t;
    if (std::isnan(residual)) return std::nullopt;
    (residual < 0.0 ? low : high) = t;
    const double newton = t - residual / slope;
    t = newton > low && newton < high ? newton : low + 0.5 * (high - low);
    if (!(t > low && t < high)) return std::nullopt;  // the bracket is one number wide
  }
  return std::nullopt;
}

}  // namespace trueplate::lens::detail
