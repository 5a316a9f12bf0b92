#include "calib/lens/radial_tangential.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <limits>
#include <random>

#include "tests/calib/lens/model_checks.h"

using trueplate::Point2d;
using trueplate::lens::kInverseTolerance;
using trueplate::lens::RadialTangential;

namespace {

/// u, v in OpenCV's centre convention with the camera of the check values below.
Point2d project(const std::array<double, 5>& parameters) {
  const Point2d p = RadialTangential::distort(Point2d(0.4, -0.25), parameters.data());
  return {1800.0 * p.x() + 959.5, 1795.0 * p.y() + 539.5};
}

}  // namespace

// Check values: computed in double precision and equal to cv::projectPoints of OpenCV 4.6.
// Parameter order here is k1, k2, k3, p1, p2.
TEST_CASE("agrees with the five-coefficient model of OpenCV to 1e-6 px") {
  const Point2d a = project({-0.12, 0.03, 0.0, 0.0, 0.0});
  CHECK(std::abs(a.x() - 1661.345335) < 1e-6);
  CHECK(std::abs(a.y() - 102.065147) < 1e-6);
  const Point2d b = project({-0.12, 0.03, -0.004, 0.001, -0.0005});
  CHECK(std::abs(b.x() - 1660.465361) < 1e-6);
  CHECK(std::abs(b.y() - 102.888182) < 1e-6);
}

// Series inverse of Drap and Lefevre, "An exact formula for calculating inverse radial lens
// distortions", Sensors 16(6) 807, 2016: b1..b4 for k = (-0.12, 0.03, -0.004).
TEST_CASE("Newton inverse agrees with the published series inverse") {
  const RadialTangential lens({-0.12, 0.03, -0.004, 0.0, 0.0});
  constexpr std::array kSeries{0.12, 0.0132, -0.004064, -0.0030552};
  constexpr std::array<std::array<double, 2>, 3> kRadiusAndError{
      {{0.2, 1.1e-11}, {0.4, 1.8e-8}, {0.5, 1.8e-7}}};
  for (const auto& [r, stated_error] : kRadiusAndError) {
    const Point2d p_distorted = *lens.distort(Point2d(r, 0.0));
    const double s = p_distorted.x() * p_distorted.x();
    const double series =
        p_distorted.x() *
        (1.0 + s * (kSeries[0] + s * (kSeries[1] + s * (kSeries[2] + s * kSeries[3]))));
    const std::optional<Point2d> p = lens.undistort(p_distorted);
    REQUIRE(p);
    CHECK(std::abs(p->x() - r) < 1e-13);
    // The series, not Newton, carries the stated error, printed to two digits.
    CHECK(std::abs(std::abs(series - p->x()) - stated_error) < 0.06 * stated_error);
  }
}

TEST_CASE("zero distortion is the identity and has no edge") {
  const RadialTangential lens;
  CHECK(std::isinf(lens.max_radius()));
  for (double x : {0.0, 1e-300, 0.5, -3.0, 1e6}) {
    CHECK(*lens.distort(Point2d(x, 0.25 * x)) == Point2d(x, 0.25 * x));
    CHECK(*lens.undistort(Point2d(x, 0.25 * x)) == Point2d(x, 0.25 * x));
  }
}

TEST_CASE("fold radius of a pure k1 lens is 1 / sqrt(-3 k1)") {
  const RadialTangential lens({-0.3, 0.0, 0.0, 0.0, 0.0});
  const double fold = 1.0 / std::sqrt(0.9);
  CHECK(lens.max_radius() == doctest::Approx(fold).epsilon(1e-11));
  const double largest = fold * (1.0 - 0.3 * fold * fold);
  CHECK(lens.undistort(Point2d(largest * (1 - 1e-9), 0.0)));
  CHECK_FALSE(lens.undistort(Point2d(largest * (1 + 1e-9), 0.0)));
  CHECK_FALSE(lens.undistort(Point2d(0.0, 50.0)));
  CHECK_FALSE(lens.distort(Point2d(fold * (1 + 1e-9), 0.0)));
  CHECK(lens.distort(Point2d(fold * (1 - 1e-9), 0.0)));
}

TEST_CASE("NaN, infinite and huge points have no image and no inverse") {
  trueplate::tests::check_refuses_what_is_no_point(
      RadialTangential({-0.2, 0.05, 0.01, 1e-3, -1e-3}));
  trueplate::tests::check_refuses_what_is_no_point(RadialTangential({-0.3, 0.0, 0.0, 0.0, 0.0}));
}

TEST_CASE("every point inside the domain comes back, strong and odd lenses included") {
  constexpr unsigned kSeed = 20260501;
  MESSAGE("seed " << kSeed);
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  int checked = 0;
  double worst = 0.0;
  for (int lens_number = 0; lens_number < 2000; ++lens_number) {
    const RadialTangential lens(
        {0.6 * unit(random), unit(random), unit(random), 0.05 * unit(random), 0.05 * unit(random)});
    const double reach = std::min(lens.max_radius(), 3.0);
    REQUIRE(reach > 0.0);
    for (int i = 0; i < 200; ++i) {
      // Square root: even over the disc; the exponent of the last ones crowds the edge.
      const double share = i < 150 ? std::sqrt(0.5 * (unit(random) + 1.0))
                                   : 1.0 - std::pow(10.0, -1 - 0.1 * (i - 150));
      const double angle = 3.14159265358979 * unit(random);
      const Point2d p_ideal = reach * share * Point2d(std::cos(angle), std::sin(angle));
      const std::optional<Point2d> p_distorted = lens.distort(p_ideal);
      REQUIRE(p_distorted);
      const std::optional<Point2d> back = lens.undistort(*p_distorted);
      REQUIRE(back);
      CHECK(back->norm() < lens.max_radius());
      const double residual = (*lens.distort(*back) - *p_distorted).norm();
      worst = std::max(worst, residual / std::max(1.0, p_distorted->norm()));
      ++checked;
    }
  }
  CHECK(worst <= kInverseTolerance);
  MESSAGE(checked << " points, worst residual " << worst);
}

TEST_CASE("what undistort returns is never a lie: its image is the point asked for") {
  constexpr unsigned kSeed = 20260502;
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  for (int lens_number = 0; lens_number < 2000; ++lens_number) {
    const RadialTangential lens(
        {unit(random), 2 * unit(random), 5 * unit(random), 0.1 * unit(random), 0.1 * unit(random)});
    for (int i = 0; i < 100; ++i) {
      const Point2d p_distorted(2 * unit(random), 2 * unit(random));
      const std::optional<Point2d> p = lens.undistort(p_distorted);
      if (!p) continue;
      REQUIRE(lens.distort(*p));
      CHECK((*lens.distort(*p) - p_distorted).norm() <=
            kInverseTolerance * std::max(1.0, p_distorted.norm()));
    }
  }
}

TEST_CASE("the Jacobian is positive definite all over the domain") {
  constexpr unsigned kSeed = 20260503;
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  for (int lens_number = 0; lens_number < 3000; ++lens_number) {
    const std::array parameters{
        unit(random), 2 * unit(random), 2 * unit(random), 0.2 * unit(random), 0.2 * unit(random)};
    const RadialTangential lens(parameters);
    const double reach = std::min(lens.max_radius(), 2.0);
    for (int i = 0; i < 64; ++i) {
      const double angle = i * 3.14159265358979 / 32.0;
      const Point2d p = reach * (1 - 1e-6) * Point2d(std::cos(angle), std::sin(angle));
      constexpr double kStep = 1e-5;
      const auto at = [&](double dx, double dy) {
        return RadialTangential::distort(Point2d(p + Point2d(dx, dy)), parameters.data());
      };
      const Point2d dx = (at(kStep, 0) - at(-kStep, 0)) / (2 * kStep);
      const Point2d dy = (at(0, kStep) - at(0, -kStep)) / (2 * kStep);
      CHECK(std::abs(dx.y() - dy.x()) < 1e-6 * (1 + dx.norm() + dy.norm()));  // symmetric
      CHECK(dx.x() * dy.y() - dx.y() * dy.x() > -1e-4);
      CHECK(dx.x() + dy.y() > 0.0);
    }
  }
}
