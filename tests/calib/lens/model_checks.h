#pragma once

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <random>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"

namespace trueplate::tests {

/// A direction in the plane.
inline Point2d direction(double angle) { return {std::cos(angle), std::sin(angle)}; }

/// Checks that points all over the domain (to `farthest` at most), crowded towards its edge, come
/// back with a residual below lens::kInverseTolerance, and returns the worst residual.
template <class Model>
double check_round_trip(const Model& model, std::mt19937& random, double farthest, int num_points) {
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  double worst = 0.0;
  for (int i = 0; i < num_points; ++i) {
    // Square root: even over the area. The last quarter crowds the edge, down to 1e-6 of it.
    const double share = 4 * i < 3 * num_points ? std::sqrt(0.5 * (unit(random) + 1.0))
                                                : 1.0 - std::pow(10.0, -3.5 + 2.5 * unit(random));
    const Point2d towards = direction(3.14159265358979 * unit(random));
    const double reach = std::min(model.domain_radius(towards), farthest);
    REQUIRE(reach > 0.0);
    const Point2d p_ideal = reach * share * towards;
    const std::optional<Point2d> p_distorted = model.distort(p_ideal);
    REQUIRE(p_distorted);
    const std::optional<Point2d> back = model.undistort(*p_distorted);
    CAPTURE(share);
    REQUIRE(back);
    const std::optional<Point2d> again = model.distort(*back);
    REQUIRE(again);
    worst = std::max(worst, (*again - *p_distorted).norm() / std::max(1.0, p_distorted->norm()));
  }
  CHECK(worst <= lens::kInverseTolerance);
  return worst;
}

/// Checks that whatever undistort() returns for points in and far outside the picture is imaged
/// where it was asked for. Returns how many had an answer.
template <class Model>
int check_no_lies(const Model& model, std::mt19937& random, int num_points) {
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  int answered = 0;
  for (int i = 0; i < num_points; ++i) {
    const Point2d p_distorted(2 * unit(random), 2 * unit(random));
    const std::optional<Point2d> p = model.undistort(p_distorted);
    if (!p) continue;
    ++answered;
    const std::optional<Point2d> again = model.distort(*p);
    REQUIRE(again);
    CHECK((*again - p_distorted).norm() <=
          lens::kInverseTolerance * std::max(1.0, p_distorted.norm()));
  }
  return answered;
}

/// Checks that the Jacobian determinant, by central differences, is positive all over the domain.
template <class Model>
void check_positive_determinant(const Model& model, std::mt19937& random, double farthest) {
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  for (int i = 0; i < 64; ++i) {
    const Point2d towards = direction(3.14159265358979 * unit(random));
    const double reach = std::min(model.domain_radius(towards), farthest);
    const double share = i < 32 ? 1.0 - 1e-6 : std::abs(unit(random));
    const Point2d p = reach * share * towards;
    const double step = 1e-5 * std::min(1.0, reach);
    const auto at = [&](double dx, double dy) {
      return Model::distort(Point2d(p + Point2d(dx, dy)), model.parameters().data());
    };
    const Point2d dx = (at(step, 0) - at(-step, 0)) / (2 * step);
    const Point2d dy = (at(0, step) - at(0, -step)) / (2 * step);
    if (!dx.allFinite() || !dy.allFinite()) continue;  // the step crosses a pole
    const double size = dx.norm() * dy.norm();
    CHECK(dx.x() * dy.y() - dx.y() * dy.x() > -1e-3 * (1.0 + size));
  }
}

/// NaN, infinite and huge points have no image and no inverse.
template <class Model>
void check_refuses_what_is_no_point(const Model& model) {
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  constexpr double kInf = std::numeric_limits<double>::infinity();
  for (const Point2d& p : {Point2d(kNan, 0.0),
                           Point2d(0.0, kNan),
                           Point2d(kInf, 0.0),
                           Point2d(-kInf, kInf),
                           Point2d(1e308, 1e308),
                           Point2d(1e200, 0)}) {
    CHECK_FALSE(model.undistort(p));
    CHECK_FALSE(model.distort(p));
  }
}

}  // namespace trueplate::tests
