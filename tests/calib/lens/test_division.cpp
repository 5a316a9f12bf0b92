#include "calib/lens/division.h"

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <numbers>

#include "tests/calib/lens/model_checks.h"

using trueplate::Point2d;
using trueplate::lens::DivisionOneTerm;
using trueplate::lens::DivisionTwoTerms;
using trueplate::lens::kInverseTolerance;
using namespace trueplate::tests;

// Fitzgibbon, CVPR 2001: r_d = (1 - sqrt(1 - 4 lambda r_u^2)) / (2 lambda r_u); the value was
// computed in double precision.
TEST_CASE("one term agrees with the closed inverse") {
  const DivisionOneTerm lens({-0.15});
  const Point2d p(0.4, -0.25);
  REQUIRE(p.norm() == doctest::Approx(0.4716990566).epsilon(1e-10));
  CHECK(lens.distort(p)->norm() == doctest::Approx(0.4569267142).epsilon(1e-10));
  for (double lambda : {-0.4, -1e-3, -1e-12, 1e-12, 1e-3, 0.2}) {
    for (double r : {0.1, 0.7, 1.0}) {
      CAPTURE(lambda);
      const double closed =
          std::abs(lambda) < 1e-6
              ? r
              : (1.0 - std::sqrt(1.0 - 4.0 * lambda * r * r)) / (2.0 * lambda * r);
      CHECK(DivisionOneTerm({lambda}).distort(Point2d(0.0, r))->y() ==
            doctest::Approx(closed).epsilon(1e-10));
    }
  }
}

TEST_CASE("a straight line becomes an arc of a circle") {
  // The property for which the model is known (Fitzgibbon 2001): four images of points on y = 0.3
  // lie on one circle.
  const DivisionOneTerm lens({-0.2});
  Eigen::Matrix4d rows;
  int i = 0;
  for (double x : {-0.9, -0.2, 0.3, 0.8}) {
    const Point2d p = *lens.distort(Point2d(x, 0.3));
    rows.row(i++) << p.squaredNorm(), p.x(), p.y(), 1.0;
  }
  CHECK(std::abs(rows.determinant()) < 1e-14);
}

TEST_CASE("with the second term 0 both agree, and both undistort by the formula") {
  const DivisionOneTerm one({-0.12});
  const DivisionTwoTerms same({-0.12, 0.0});
  const DivisionTwoTerms two({-0.12, 0.03});
  for (double x : {0.0, 0.2, 0.9, 1.4}) {
    const Point2d p(x, -0.4 * x);
    CHECK((*one.distort(p) - *same.distort(p)).norm() < 1e-15);
    const double r2 = p.squaredNorm();
    CHECK((*two.undistort(p) - p / (1.0 - 0.12 * r2 + 0.03 * r2 * r2)).norm() < 1e-15);
  }
}

TEST_CASE("rays beyond 90 degrees are imaged and come back") {
  const DivisionOneTerm one({-0.25});
  const DivisionTwoTerms two({-0.2, -0.01});
  // lambda1 = -1/4: the divisor is 0, the ray at 90 degrees, at r = 2.
  CHECK(one.distort_ray(Eigen::Vector3d(1.0, 0.0, 0.0))->x() == doctest::Approx(2.0));
  CHECK_FALSE(one.undistort(Point2d(2.0 + 1e-9, 0.0)));
  CHECK(one.undistort(Point2d(2.0 - 1e-9, 0.0)));
  for (double degrees : {0.0, 1e-7, 30.0, 89.9, 90.0, 91.0, 120.0, 175.0, 179.9}) {
    CAPTURE(degrees);
    const double angle = degrees * std::numbers::pi / 180.0;
    const Eigen::Vector3d ray(std::sin(angle) * 0.6, std::sin(angle) * 0.8, std::cos(angle));
    const auto check = [&](const auto& lens) {
      const auto p = lens.distort_ray(7.0 * ray);
      REQUIRE(p);
      const auto back = lens.undistort_to_ray(*p);
      REQUIRE(back);
      CHECK((*back - ray).norm() < 1e-12);
    };
    check(one);
    check(two);
  }
  CHECK_FALSE(one.distort_ray(Eigen::Vector3d(0.0, 0.0, -1.0)));
  CHECK_FALSE(one.distort_ray(Eigen::Vector3d::Zero()));
  CHECK_FALSE(DivisionOneTerm().distort_ray(Eigen::Vector3d(0.1, 0.0, -1.0)));
}

TEST_CASE("the domain ends just before the angle stops growing") {
  // r / (1 + lambda r^2) turns back at r = 1 / sqrt(lambda), r_u = 1 / (2 sqrt(lambda)).
  const DivisionOneTerm lens({0.25});
  CHECK(lens.max_image_radius() == doctest::Approx(2.0 * std::sqrt(0.99)));
  CHECK(lens.max_radius() < 1.0);
  CHECK(lens.max_radius() > 0.99);
  CHECK(lens.undistort(Point2d(1.98, 0.0)));
  CHECK_FALSE(lens.undistort(Point2d(2.1, 0.0)));
  CHECK_FALSE(lens.distort(Point2d(1.01, 0.0)));
  CHECK(std::isinf(DivisionOneTerm({-0.3}).max_radius()));
  CHECK(std::isinf(DivisionTwoTerms().max_image_radius()));
}

TEST_CASE("every point inside the domain comes back, hostile lenses included") {
  constexpr unsigned kSeed = 20260721;
  MESSAGE("seed " << kSeed);
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  double worst = 0.0;
  const auto check = [&](const auto& lens) {
    worst = std::max(worst, check_round_trip(lens, random, 20.0, 60));
    check_no_lies(lens, random, 20);
    check_positive_determinant(lens, random, 5.0);
    for (int i = 0; i < 40; ++i) {
      const double reach = std::min(lens.max_image_radius(), 20.0);
      const Point2d p = std::abs(unit(random)) * reach * direction(4.0 * unit(random));
      const auto ray = lens.undistort_to_ray(p);
      REQUIRE(ray);
      const auto again = lens.distort_ray(*ray);
      REQUIRE(again);
      CHECK((*again - p).norm() <= kInverseTolerance * std::max(1.0, p.norm()));
    }
  };
  for (int lens_number = 0; lens_number < 1000; ++lens_number) {
    const double size = lens_number % 2 == 0 ? 0.3 : 5.0;
    CAPTURE(lens_number);
    check(DivisionOneTerm({size * unit(random)}));
    check(DivisionTwoTerms({size * unit(random), 0.3 * size * unit(random)}));
  }
  MESSAGE("worst residual " << worst);
}

TEST_CASE("points that are no numbers of use are refused") {
  check_refuses_what_is_no_point(DivisionOneTerm({-0.2}));
  check_refuses_what_is_no_point(DivisionOneTerm({0.2}));
  check_refuses_what_is_no_point(DivisionTwoTerms({0.2, 0.1}));
  check_refuses_what_is_no_point(DivisionTwoTerms());
  const DivisionTwoTerms overflowing({1e300, -1e300});
  CHECK_FALSE(overflowing.distort(Point2d(1.0, 1.0)));
  CHECK_FALSE(overflowing.undistort(Point2d(1.0, 1.0)));
}
