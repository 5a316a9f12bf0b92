// The models whose domain and inverse follow from their formula alone.

#include "calib/lens/star_model.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <opencv2/calib3d.hpp>

#include "calib/lens/anamorphic.h"
#include "calib/lens/free_centre.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/thin_prism.h"
#include "tests/calib/lens/model_checks.h"

using namespace trueplate::lens;
using namespace trueplate::tests;
using trueplate::Point2d;

namespace {

template <class Model>
typename Model::Parameters random_parameters(std::mt19937& random, double size) {
  std::uniform_real_distribution<double> unit(-size, size);
  typename Model::Parameters result;
  for (std::size_t i = 0; i < result.size(); ++i) {
    const std::string_view name = Model::kParameterNames[i];
    const bool small = name[0] == 'p' || name[0] == 's' || name[0] == 't' || name[0] == 'c';
    result[i] = (small ? 0.05 : 1.0) * unit(random);
  }
  return result;
}

template <class Model>
void check_model(unsigned seed, int num_lenses, double size) {
  CAPTURE(Model::kName);
  std::mt19937 random(seed);
  double worst = 0.0;
  double largest = 0.0;
  for (int lens_number = 0; lens_number < num_lenses; ++lens_number) {
    CAPTURE(lens_number);
    const Model lens(random_parameters<Model>(random, lens_number % 4 == 3 ? 5.0 * size : size));
    largest = std::max(largest, lens.max_radius());
    if (!(lens.max_radius() > 0.0)) continue;
    worst = std::max(worst, check_round_trip(lens, random, 4.0, 100));
    check_no_lies(lens, random, 50);
    check_positive_determinant(lens, random, 4.0);
  }
  MESSAGE(Model::kName << ": worst residual " << worst);
  CHECK(largest > 0.8);
}

/// In the order of OpenCV: k1, k2, p1, p2, k3, k4, k5, k6, the rest.
template <class Model>
std::vector<double> library_order(const typename Model::Parameters& k) {
  std::vector<double> result{k[0], k[1], k[6], k[7], k[2], k[3], k[4], k[5]};
  result.insert(result.end(), k.begin() + 8, k.end());
  return result;
}

template <class Model>
int compare_with_library(unsigned seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  int compared = 0;
  for (int lens_number = 0; lens_number < 40; ++lens_number) {
    const auto k = random_parameters<Model>(random, 0.3);
    const Model lens(k);
    std::vector<cv::Point3d> points;
    for (int i = 0; i < 50; ++i) points.emplace_back(unit(random), unit(random), 1.0);
    std::vector<cv::Point2d> images;
    cv::projectPoints(
        points, cv::Vec3d(), cv::Vec3d(), cv::Matx33d::eye(), library_order<Model>(k), images);
    for (std::size_t i = 0; i < points.size(); ++i) {
      const std::optional<Point2d> p = lens.distort(Point2d(points[i].x, points[i].y));
      if (!p) continue;
      CHECK((*p - Point2d(images[i].x, images[i].y)).norm() < 1e-12 * (1.0 + p->norm()));
      ++compared;
    }
  }
  return compared;
}

}  // namespace

// Computed in double precision and equal to cv::projectPoints of OpenCV 4.6.
TEST_CASE("thin prism and tilt agree with the 12 and 14 coefficients of OpenCV to 1e-6 px") {
  const Point2d p(0.4, -0.25);
  const auto px = [](const Point2d& q) {
    return Point2d(1800.0 * q.x() + 959.5, 1795.0 * q.y() + 539.5);
  };
  const RationalPrism prism(
      {-0.12, 0.03, -0.004, 0, 0, 0, 0.001, -0.0005, 0.0010, -0.0002, -0.0007, 0.0001});
  CHECK((px(*prism.distort(p)) - Point2d(1660.848039, 102.617497)).norm() < 1e-6);
  const RationalPrismTilt tilted({-0.12,
                                  0.03,
                                  -0.004,
                                  0,
                                  0,
                                  0,
                                  0.001,
                                  -0.0005,
                                  0.0010,
                                  -0.0002,
                                  -0.0007,
                                  0.0001,
                                  0.01,
                                  -0.02});
  CHECK((px(*tilted.distort(p)) - Point2d(1664.768726, 100.381786)).norm() < 1e-6);
}

TEST_CASE("thin prism and tilt agree with cv::projectPoints on random lenses") {
  CHECK(compare_with_library<RationalPrism>(20260731) > 500);
  CHECK(compare_with_library<RationalPrismTilt>(20260732) > 500);
}

TEST_CASE("a radially symmetric anamorphic lens is the radial-tangential one") {
  // r^2 = u^2 + v^2, r^4 = u^4 + 2 u^2 v^2 + v^4, r^6 = u^6 + 3 u^4 v^2 + 3 u^2 v^4 + v^6; then the
  // axes' angle changes nothing but the decentering, which is left out.
  const double k1 = -0.2, k2 = 0.07, k3 = -0.01;
  const RadialTangential radial({k1, k2, k3, 0.0, 0.0});
  const Anamorphic6 same({k1,  k1,  k2,  2 * k2, k2, k3, 3 * k3, 3 * k3, k3,  //
                          k1,  k1,  k2,  2 * k2, k2, k3, 3 * k3, 3 * k3, k3,  //
                          0.0, 0.0, 0.4, 0.0});
  const Anamorphic4 tangential({0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0.004, -0.003, 0.0, 0.0});
  const RadialTangential decentered({0.0, 0.0, 0.0, 0.004, -0.003});
  for (double x : {0.0, 0.2, 0.6, 0.9}) {
    const Point2d p(x, 0.5 - x);
    CHECK((*same.distort(p) - *radial.distort(p)).norm() < 1e-15);
    CHECK((*same.undistort(p) - *radial.undistort(p)).norm() < 1e-12);
    CHECK((*tangential.distort(p) - *decentered.distort(p)).norm() < 1e-15);
  }
}

TEST_CASE("a cylinder turned against the sensor gives phi and skew as documented") {
  // The sensor sees R(-psi) diag(1, s) G(R(psi) p), G the lens in its own axes; any turn of the
  // camera about its axis may be put before it.
  const double squeeze = 2.0;
  const double psi = 2e-4;  // small: the relation is one of first order
  Anamorphic4::Parameters k{-0.1, 0.05, 0.02, 0.0, 0.0, -0.03, 0.08, 0.0, 0.01, 0.0, 0, 0, 0, 0};
  const auto straight = k;
  k[12] = psi / squeeze;
  k[13] = (1.0 / squeeze - squeeze) * psi;
  const Eigen::Matrix2d turn = Eigen::Rotation2Dd(psi).toRotationMatrix();
  const auto on_sensor = [&](const Point2d& p) {
    const Point2d lens_axes = turn.transpose() * p;
    const Point2d q = Anamorphic4::distort(lens_axes, straight.data());
    return Point2d(turn * Point2d(q.x(), squeeze * q.y()));
  };
  // The camera's roll that makes y'' depend on y alone near the axis.
  const double roll = (1.0 - 1.0 / squeeze) * psi;
  double with = 0.0;
  double without = 0.0;
  for (double x : {-0.6, -0.2, 0.5}) {
    for (double y : {-0.3, 0.1, 0.4}) {
      const Point2d p(x, y);
      const Point2d q = Anamorphic4::distort(p, k.data());
      const Point2d wanted = on_sensor(Eigen::Rotation2Dd(roll) * p);
      with = std::max(with, (Point2d(q.x(), squeeze * q.y()) - wanted).norm());
      const Point2d plain = Anamorphic4::distort(p, straight.data());
      without = std::max(without, (Point2d(plain.x(), squeeze * plain.y()) - wanted).norm());
    }
  }
  CHECK(without > 1e-4);
  CHECK(with < 2e-7);  // psi^2 and its multiples
}

TEST_CASE(
    "a free centre moves the radial distortion, and a little of it is tangential distortion") {
  const RadialFreeCentre lens({-0.2, 0.05, 0.0, 0.02, -0.01});
  const RadialTangential radial({-0.2, 0.05, 0.0, 0.0, 0.0});
  const Point2d c(0.02, -0.01);
  const Point2d p(0.4, 0.3);
  CHECK((*lens.distort(p) - (*radial.distort(p - c) + c)).norm() < 1e-15);
  CHECK((*lens.undistort(p) - (*radial.undistort(p - c) + c)).norm() < 1e-12);
  // To first order, without the linear and constant terms: k1 |p - c|^2 (p - c) - k1 r^2 p
  // = -k1 (r^2 c + 2 (c . p) p), the tangential terms of q = -k1 c.
  const double small = 1e-5;
  const RadialFreeCentre shifted({-0.2, 0.0, 0.0, small, 0.0});
  const RadialTangential tangential({-0.2, 0.0, 0.0, 0.0, 0.2 * small});
  CHECK((*shifted.distort(p) - *tangential.distort(p)).norm() < 1e-9);
}

TEST_CASE("the domain of a sphere-symmetric lens reaches nearly to its fold, and never beyond") {
  // Pure k1 folds at 1 / sqrt(-3 k1).
  for (double k1 : {-0.1, -0.3, -1.0}) {
    CAPTURE(k1);
    const double fold = 1.0 / std::sqrt(-3.0 * k1);
    const RadialFreeCentre lens({k1, 0.0, 0.0, 0.0, 0.0});
    CHECK(lens.max_radius() < fold);
    CHECK(lens.max_radius() > 0.93 * fold);
  }
  // Without a fold it ends where it stops looking.
  CHECK(RadialFreeCentre().max_radius() > 3.9);
  CHECK(RadialFreeCentre().max_radius() <= 4.0);
}

TEST_CASE("an anamorphic domain follows the frame, not a disc") {
  // x folds at 1 / sqrt(0.3), y much earlier: 1 / sqrt(3).
  const Anamorphic4 lens({-0.1, 0, 0, 0, 0, 0, -1.0, 0, 0, 0, 0, 0, 0, 0});
  CHECK(lens.domain_radius(Point2d(1.0, 0.0)) > 0.9 / std::sqrt(0.3));
  CHECK(lens.domain_radius(Point2d(0.0, 1.0)) < 1.0 / std::sqrt(3.0));
  CHECK(lens.domain_radius(Point2d(0.0, 1.0)) > 0.9 / std::sqrt(3.0));
  CHECK(lens.distort(Point2d(1.2, 0.3)));
  CHECK(lens.undistort(*lens.distort(Point2d(1.2, 0.3))));
}

TEST_CASE("every point inside the domain comes back, hostile lenses included") {
  check_model<Anamorphic4>(20260741, 60, 0.3);
  check_model<Anamorphic6>(20260742, 40, 0.3);
  check_model<RationalPrism>(20260743, 40, 0.3);
  check_model<RationalPrismTilt>(20260744, 40, 0.3);
  check_model<RadialFreeCentre>(20260745, 60, 0.3);
}

TEST_CASE("points and coefficients that are no numbers of use are refused") {
  check_refuses_what_is_no_point(Anamorphic4());
  check_refuses_what_is_no_point(Anamorphic6());
  check_refuses_what_is_no_point(RationalPrismTilt());
  check_refuses_what_is_no_point(RadialFreeCentre({-0.2, 0.0, 0.0, 0.01, 0.0}));
  const RadialFreeCentre overflowing({1e300, -1e300, 1e300, 1e200, 1e200});
  CHECK(overflowing.max_radius() == 0.0);
  CHECK_FALSE(overflowing.distort(Point2d(0.0, 0.0)));
  CHECK_FALSE(overflowing.undistort(Point2d(0.0, 0.0)));
}
