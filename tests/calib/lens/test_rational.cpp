#include "calib/lens/rational.h"

#include <doctest/doctest.h>

#include <opencv2/calib3d.hpp>

#include "calib/lens/radial_tangential.h"
#include "tests/calib/lens/model_checks.h"

using trueplate::Point2d;
using trueplate::lens::Rational;
using namespace trueplate::tests;

namespace {

std::array<double, 8> random_parameters(std::mt19937& random, double size) {
  std::uniform_real_distribution<double> unit(-size, size);
  return {unit(random),
          unit(random),
          unit(random),
          unit(random),
          unit(random),
          unit(random),
          0.05 * unit(random),
          0.05 * unit(random)};
}

}  // namespace

// Formula: OpenCV 4.6 documentation of calib3d, 2022; the value was computed in double precision
// and equals cv::projectPoints. Parameter order here is k1 .. k6, p1, p2.
TEST_CASE("agrees with the eight-coefficient model of OpenCV to 1e-6 px") {
  const std::array parameters{0.20, 0.05, 0.002, 0.32, 0.06, 0.004, 0.001, -0.0005};
  const Point2d p = Rational::distort(Point2d(0.4, -0.25), parameters.data());
  CHECK(std::abs(1800.0 * p.x() + 959.5 - 1660.409297) < 1e-6);
  CHECK(std::abs(1795.0 * p.y() + 539.5 - 102.923125) < 1e-6);
}

TEST_CASE("agrees with cv::projectPoints on random lenses and points") {
  constexpr unsigned kSeed = 20260701;
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  int compared = 0;
  for (int lens_number = 0; lens_number < 200; ++lens_number) {
    const std::array k = random_parameters(random, 0.4);
    const Rational lens(k);
    std::vector<cv::Point3d> points;
    for (int i = 0; i < 50; ++i) points.emplace_back(unit(random), unit(random), 1.0);
    std::vector<cv::Point2d> images;
    cv::projectPoints(points,
                      cv::Vec3d(),
                      cv::Vec3d(),
                      cv::Matx33d::eye(),
                      std::vector<double>{k[0], k[1], k[6], k[7], k[2], k[3], k[4], k[5]},
                      images);
    for (std::size_t i = 0; i < points.size(); ++i) {
      const std::optional<Point2d> p = lens.distort(Point2d(points[i].x, points[i].y));
      if (!p) continue;
      CHECK((*p - Point2d(images[i].x, images[i].y)).norm() < 1e-12 * (1.0 + p->norm()));
      ++compared;
    }
  }
  CHECK(compared > 5000);
}

TEST_CASE("without a denominator it is the radial-tangential model, domain included") {
  const trueplate::lens::RadialTangential polynomial({-0.3, 0.1, -0.02, 0.002, -0.001});
  const Rational rational({-0.3, 0.1, -0.02, 0.0, 0.0, 0.0, 0.002, -0.001});
  CHECK(rational.max_radius() == polynomial.max_radius());
  for (double x : {0.0, 0.1, 0.5, 0.9}) {
    const Point2d p(x, -0.3 * x);
    CHECK((*rational.distort(p) - *polynomial.distort(p)).norm() < 1e-15);
    CHECK((*rational.undistort(p) - *polynomial.undistort(p)).norm() < 1e-12);
  }
}

TEST_CASE("the domain ends where the mapping folds or comes near its pole") {
  // r / (1 + k4 r^2) folds at 1 / sqrt(k4); 1 - r^2 / 4 falls to a tenth at sqrt(3.6).
  CHECK(Rational({0, 0, 0, 0.25, 0, 0, 0, 0}).max_radius() == doctest::Approx(2.0).epsilon(1e-11));
  const Rational pole({0, 0, 0, -0.25, 0, 0, 0, 0});
  CHECK(pole.max_radius() == doctest::Approx(std::sqrt(3.6)).epsilon(1e-11));
  CHECK(pole.distort(Point2d(1.897, 0.0)));
  CHECK_FALSE(pole.distort(Point2d(1.898, 0.0)));
  // Beyond the pole lies the far branch; the answer must be the near one: x / (1 - x^2 / 4) = 5.
  CHECK(pole.undistort(Point2d(5.0, 0.0))->x() ==
        doctest::Approx((std::sqrt(104.0) - 2.0) / 5.0).epsilon(1e-12));
  CHECK(std::isinf(Rational().max_radius()));
}

TEST_CASE("every point inside the domain comes back, hostile lenses included") {
  constexpr unsigned kSeed = 20260702;
  MESSAGE("seed " << kSeed);
  std::mt19937 random(kSeed);
  double worst = 0.0;
  for (int lens_number = 0; lens_number < 1500; ++lens_number) {
    const Rational lens(random_parameters(random, lens_number % 2 == 0 ? 0.4 : 2.0));
    CAPTURE(lens_number);
    worst = std::max(worst, check_round_trip(lens, random, 3.0, 80));
    check_no_lies(lens, random, 20);
    check_positive_determinant(lens, random, 3.0);
  }
  MESSAGE("worst residual " << worst);
}

TEST_CASE("points and coefficients that are no numbers of use are refused, not computed with") {
  check_refuses_what_is_no_point(Rational({-0.2, 0.05, 0.01, 0.1, 0.0, 0.0, 1e-3, -1e-3}));
  check_refuses_what_is_no_point(Rational());
  const Rational overflowing({1e200, -1e200, 1e200, 1e200, -1e200, 1e200, 1.0, 1.0});
  CHECK_FALSE(overflowing.distort(Point2d(0.1, 0.1)));
  CHECK_FALSE(overflowing.undistort(Point2d(0.1, 0.1)));
}
