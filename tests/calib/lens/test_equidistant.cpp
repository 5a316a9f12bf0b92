#include "calib/lens/equidistant.h"

#include <doctest/doctest.h>

#include <numbers>
#include <opencv2/calib3d.hpp>

#include "tests/calib/lens/model_checks.h"

using trueplate::Point2d;
using trueplate::lens::Equidistant;
using trueplate::lens::kInverseTolerance;
using namespace trueplate::tests;

namespace {

constexpr double kDegree = std::numbers::pi / 180.0;

std::array<double, 4> random_parameters(std::mt19937& random, double size) {
  std::uniform_real_distribution<double> unit(-size, size);
  return {unit(random), 0.3 * unit(random), 0.1 * unit(random), 0.03 * unit(random)};
}

Eigen::Vector3d ray_at(double angle, double azimuth) {
  return {
      std::sin(angle) * std::cos(azimuth), std::sin(angle) * std::sin(azimuth), std::cos(angle)};
}

}  // namespace

// Computed in double precision, equal to cv::fisheye::projectPoints of OpenCV 4.6.
TEST_CASE("agrees with the fisheye model of OpenCV to 1e-6 px") {
  const std::array k{0.02, -0.006, 0.001, -0.0002};
  const Point2d p = Equidistant::distort(Point2d(0.4, -0.25), k.data());
  CHECK(std::abs(p.norm() - 0.4423673531) < 1e-10);
  CHECK(std::abs(1800.0 * p.x() + 959.5 - 1634.728177) < 1e-6);
  CHECK(std::abs(1795.0 * p.y() + 539.5 - 118.654660) < 1e-6);
}

TEST_CASE("agrees with cv::fisheye::projectPoints on random lenses and points") {
  std::mt19937 random(20260711);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  for (int lens_number = 0; lens_number < 100; ++lens_number) {
    const std::array k = random_parameters(random, 0.05);
    const Equidistant lens(k);
    std::vector<cv::Point3d> points;
    for (int i = 0; i < 50; ++i) points.emplace_back(3 * unit(random), 3 * unit(random), 1.0);
    std::vector<cv::Point2d> images;
    cv::fisheye::projectPoints(points,
                               images,
                               cv::Vec3d(),
                               cv::Vec3d(),
                               cv::Matx33d::eye(),
                               cv::Vec4d(k[0], k[1], k[2], k[3]));
    for (std::size_t i = 0; i < points.size(); ++i) {
      const std::optional<Point2d> p = lens.distort(Point2d(points[i].x, points[i].y));
      if (p) CHECK((*p - Point2d(images[i].x, images[i].y)).norm() < 1e-12);
    }
  }
}

TEST_CASE("the formula is smooth through the axis, where its root has no derivative") {
  const std::array k{0.1, -0.02, 0.0, 0.0};
  for (double r : {0.0, 1e-300, 1e-9, 1e-3, 0.00999999, 0.01000001}) {
    const double t = std::atan(r);
    const double height = t * (1.0 + t * t * (0.1 - 0.02 * t * t));
    CHECK(Equidistant::distort(Point2d(r, 0.0), k.data()).x() ==
          doctest::Approx(height).epsilon(1e-15));
  }
}

// Without coefficients the height is the angle: closed form, also behind the camera.
TEST_CASE("rays beyond 90 degrees are imaged and come back; points of the plane stop at 90") {
  const Equidistant lens;
  CHECK(lens.max_angle() == doctest::Approx(std::numbers::pi));
  CHECK(std::isinf(lens.max_radius()));
  for (double degrees : {0.0, 1e-6, 10.0, 89.999, 90.0, 90.001, 120.0, 179.9}) {
    CAPTURE(degrees);
    const Eigen::Vector3d ray = ray_at(degrees * kDegree, 0.7);
    const std::optional<Point2d> p = lens.distort_ray(3.5 * ray);
    REQUIRE(p);
    CHECK(p->norm() == doctest::Approx(degrees * kDegree).epsilon(1e-12));
    const auto back = lens.undistort_to_ray(*p);
    REQUIRE(back);
    CHECK((*back - ray).norm() < 1e-12);
    // At 90 degrees itself rounding decides.
    if (degrees != 90.0) CHECK(lens.undistort(*p).has_value() == (degrees < 90.0));
  }
  CHECK_FALSE(lens.distort_ray(Eigen::Vector3d(0.0, 0.0, -1.0)));
  CHECK_FALSE(lens.distort_ray(Eigen::Vector3d::Zero()));
  CHECK_FALSE(lens.undistort_to_ray(Point2d(3.2, 0.0)));
}

TEST_CASE("the domain ends at the angle where the height stops growing") {
  // t - t^3 / 3 * 3 k: with k1 = -1/3 the height is t - t^3 / 3, largest at t = 1.
  const Equidistant lens({-1.0 / 3.0, 0.0, 0.0, 0.0});
  CHECK(lens.max_angle() == doctest::Approx(1.0).epsilon(1e-11));
  CHECK(lens.max_radius() == doctest::Approx(std::tan(1.0)).epsilon(1e-11));
  CHECK(lens.undistort(Point2d(2.0 / 3.0 - 1e-9, 0.0)));
  CHECK_FALSE(lens.undistort(Point2d(2.0 / 3.0 + 1e-9, 0.0)));
  CHECK_FALSE(lens.distort(Point2d(std::tan(1.0) * (1 + 1e-9), 0.0)));
}

TEST_CASE("every ray inside the domain comes back, hostile lenses included") {
  constexpr unsigned kSeed = 20260712;
  MESSAGE("seed " << kSeed);
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(0.0, 1.0);
  double worst = 0.0;
  for (int lens_number = 0; lens_number < 2000; ++lens_number) {
    const Equidistant lens(random_parameters(random, lens_number % 2 == 0 ? 0.1 : 3.0));
    CAPTURE(lens_number);
    worst = std::max(worst, check_round_trip(lens, random, 50.0, 60));
    check_no_lies(lens, random, 20);
    check_positive_determinant(lens, random, 5.0);
    for (int i = 0; i < 40; ++i) {
      const std::optional<Point2d> p =
          lens.distort_ray(ray_at(lens.max_angle() * unit(random) * 0.999999, 6.3 * unit(random)));
      REQUIRE(p);
      const auto ray = lens.undistort_to_ray(*p);
      REQUIRE(ray);
      CHECK(ray->norm() == doctest::Approx(1.0).epsilon(1e-14));
      CHECK((*lens.distort_ray(*ray) - *p).norm() <= kInverseTolerance * std::max(1.0, p->norm()));
    }
  }
  MESSAGE("worst residual " << worst);
}

TEST_CASE("points that are no numbers of use are refused") {
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  const Equidistant lens({0.02, -0.006, 0.001, -0.0002});
  check_refuses_what_is_no_point(lens);
  CHECK_FALSE(lens.distort_ray(Eigen::Vector3d(kNan, 0.0, 1.0)));
  CHECK_FALSE(lens.undistort_to_ray(Point2d(kNan, 0.0)));
  CHECK(lens.distort_ray(Eigen::Vector3d(1e300, 1e300, 1e300)));
  CHECK(lens.distort_ray(Eigen::Vector3d(1e-300, 0.0, 1e-300)));
}
