// Geometry of two pictures against the check set of the project's notes (computed from the stated
// cameras and points; no published example with full data is known) and against OpenCV 4.6.

#include "calib/plate/two_view.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <opencv2/calib3d.hpp>
#include <random>
#include <vector>

using Eigen::Matrix3d;
using Eigen::Vector3d;
using trueplate::Point2d;
using namespace trueplate::plate;

namespace {

// K fx = fy = 1800, c = (960, 540) in both; R = 0.1 rad about y; t = (-1, 0, 0.1).
const Matrix3d kCamera = (Matrix3d() << 1800, 0, 960, 0, 1800, 540, 0, 0, 1).finished();
const std::vector<PointPair> kCheckPx{
    {{735.0, 315.0}, {696.0978595976, 319.4081622160}},
    {{1160.0, 340.0}, {1139.5948852147, 338.9995553694}},
    {{1140.0, 720.0}, {1139.6956359818, 720.9007366764}},
    {{702.8571428571, 797.1428571429}, {634.3682905588, 791.2260328110}},
    {{960.0, 690.0}, {841.0879524870, 688.2695707572}},
    {{1035.0, 495.0}, {1064.4113121687, 494.9629693337}},
    {{845.4545454545, 572.7272727273}, {863.1029727385, 572.3888702490}},
    {{1256.4705882353, 709.4117647059}, {1225.4933714231, 711.0667119446}}};
const Matrix3d kCheckF = (Matrix3d() << 0,
                          1.758690622e-6,
                          -9.496929360e-4,
                          5.856441865e-9,
                          0,
                          -3.181994005e-2,
                          -3.162478607e-6,
                          2.996808820e-2,
                          1)
                             .finished();
const Matrix3d kCheckE =
    (Matrix3d() << 0, -0.099503719, 0, -0.0003313475, 0, 0.9999999451, 0, -0.9950371902, 0)
        .finished();

std::vector<PointPair> ideal(const std::vector<PointPair>& pairs_px) {
  std::vector<PointPair> pairs;
  for (const PointPair& p : pairs_px) {
    const Point2d centre(960.0, 540.0);
    pairs.push_back({(p.first - centre) / 1800.0, (p.second - centre) / 1800.0});
  }
  return pairs;
}

/// The smaller distance of a from b and from -b, both scaled to norm sqrt 2.
double distance(const Matrix3d& a, const Matrix3d& b) {
  const Matrix3d one = std::sqrt(2.0) / a.norm() * a;
  const Matrix3d other = std::sqrt(2.0) / b.norm() * b;
  return std::min((one - other).norm(), (one + other).norm());
}

double nearest(const std::vector<Matrix3d>& found, const Matrix3d& wanted) {
  double best = 10.0;
  for (const Matrix3d& e : found) best = std::min(best, distance(e, wanted));
  return best;
}

struct Scene {
  RelativePose pose;
  std::vector<PointPair> pairs;
};

Scene random_scene(std::mt19937& generator, int count, double noise) {
  std::uniform_real_distribution<double> uniform(-1.0, 1.0);
  std::normal_distribution<double> normal(0.0, noise);
  Scene scene;
  const Vector3d turn(uniform(generator), uniform(generator), uniform(generator));
  scene.pose.rotation = Eigen::AngleAxisd(0.3 * turn.norm(), turn.normalized());
  scene.pose.translation =
      Vector3d(uniform(generator), uniform(generator), uniform(generator)).normalized();
  while (static_cast<int>(scene.pairs.size()) < count) {
    const Vector3d p(
        3.0 * uniform(generator), 2.0 * uniform(generator), 8.0 + 3.0 * uniform(generator));
    const Vector3d q = scene.pose.rotation * p + scene.pose.translation;
    if (q.z() < 1.0) continue;
    PointPair pair{p.hnormalized(), q.hnormalized()};
    if (noise > 0.0) {
      pair.first += Point2d(normal(generator), normal(generator));
      pair.second += Point2d(normal(generator), normal(generator));
    }
    scene.pairs.push_back(pair);
  }
  return scene;
}

Matrix3d essential(const RelativePose& pose) {
  const Vector3d& t = pose.translation;
  return (Matrix3d() << 0, -t.z(), t.y(), t.z(), 0, -t.x(), -t.y(), t.x(), 0).finished() *
         pose.rotation;
}

}  // namespace

TEST_CASE("eight points of the check set give its F, and E its pose") {
  const auto f = fundamental_eight_point(kCheckPx);
  REQUIRE(f);
  const Matrix3d scaled = *f / (*f)(2, 2);
  // The table's points have ten decimals.
  CHECK((scaled - kCheckF).norm() < 1e-8);
  for (int i = 0; i < 9; ++i) {
    const double wanted = kCheckF(i / 3, i % 3);
    if (wanted != 0.0) CHECK(scaled(i / 3, i % 3) == doctest::Approx(wanted).epsilon(1e-5));
  }
  const Matrix3d e = kCamera.transpose() * *f * kCamera;
  CHECK(distance(e, kCheckE) < 1e-7);
  const RecoveredPose recovered = recover_pose(e, ideal(kCheckPx));
  CHECK(recovered.num_in_front == 8);
  std::printf(
      "check set: F off by %.1e, E by %.1e\n", (scaled - kCheckF).norm(), distance(e, kCheckE));
  const Matrix3d turned = Eigen::AngleAxisd(0.1, Vector3d::UnitY()).toRotationMatrix();
  CHECK((recovered.pose.rotation - turned).norm() < 1e-7);
  CHECK((recovered.pose.translation - Vector3d(-1.0, 0.0, 0.1).normalized()).norm() < 1e-6);
}

TEST_CASE("five points of the check set allow its E") {
  const std::vector<PointPair> pairs = ideal(kCheckPx);
  double worst = 0.0;
  for (std::size_t first = 0; first < 4; ++first) {
    const std::vector<Matrix3d> found =
        essential_five_point(std::span(pairs).subspan(first).first<5>());
    CHECK(found.size() <= 10);
    worst = std::max(worst, nearest(found, kCheckE));
  }
  CHECK(worst < 1e-7);
  std::printf("check set, five points: E off by %.1e\n", worst);
}

TEST_CASE("five and eight points agree with OpenCV's on the same points") {
  std::mt19937 generator(7);
  double worst_eight = 0.0;
  double worst_five = 0.0;
  int num_five = 0;
  for (int trial = 0; trial < 20; ++trial) {
    CAPTURE(trial);
    const Scene scene = random_scene(generator, 12, 2e-4);
    std::vector<cv::Point2d> first, second;
    for (const PointPair& p : scene.pairs) {
      first.emplace_back(p.first.x(), p.first.y());
      second.emplace_back(p.second.x(), p.second.y());
    }
    const cv::Mat theirs_f = cv::findFundamentalMat(first, second, cv::FM_8POINT);
    const auto ours_f = fundamental_eight_point(scene.pairs);
    REQUIRE(ours_f);
    Matrix3d library;
    for (int i = 0; i < 9; ++i) library(i / 3, i % 3) = theirs_f.at<double>(i / 3, i % 3);
    worst_eight = std::max(worst_eight, distance(*ours_f, library));

    // With five points the library returns all its solutions, stacked.
    const std::vector<cv::Point2d> a(first.begin(), first.begin() + 5);
    const std::vector<cv::Point2d> b(second.begin(), second.begin() + 5);
    const cv::Mat stacked =
        cv::findEssentialMat(a, b, 1.0, cv::Point2d(0.0, 0.0), cv::RANSAC, 0.999, 1e-9);
    const std::vector<Matrix3d> ours =
        essential_five_point(std::span(std::as_const(scene.pairs)).first<5>());
    for (int k = 0; k + 3 <= stacked.rows; k += 3) {
      for (int i = 0; i < 9; ++i) library(i / 3, i % 3) = stacked.at<double>(k + i / 3, i % 3);
      worst_five = std::max(worst_five, nearest(ours, library));
      ++num_five;
    }
    for (const Matrix3d& e : ours) {
      const Vector3d values = e.jacobiSvd().singularValues();
      CHECK(values(0) == doctest::Approx(values(1)).epsilon(1e-6));
      CHECK(values(2) < 1e-6);
      for (int i = 0; i < 5; ++i) CHECK(sampson_squared(e, scene.pairs[i]) < 1e-16);
    }
  }
  CHECK(worst_eight < 1e-5);  // OpenCV takes single precision points
  CHECK(worst_five < 1e-6);
  CHECK(num_five >= 20);
  std::printf("OpenCV: F of eight points off by %.1e, %d solutions of five points by %.1e\n",
              worst_eight,
              num_five,
              worst_five);
}

TEST_CASE("a third of the pairs may be wrong") {
  std::mt19937 generator(11);
  std::uniform_real_distribution<double> uniform(-0.4, 0.4);
  for (int trial = 0; trial < 5; ++trial) {
    CAPTURE(trial);
    const double noise = 1e-4;
    Scene scene = random_scene(generator, 60, noise);
    for (std::size_t i = 0; i < 20; ++i) {
      scene.pairs[3 * i].second += Point2d(uniform(generator), uniform(generator));
    }
    const auto found = robust_essential(scene.pairs);
    REQUIRE(found);
    CHECK(distance(found->matrix, essential(scene.pose)) < 0.05);
    CHECK(found->rms < 4.0 * noise);
    int good = 0;
    for (std::size_t i = 0; i < 60; ++i) good += i % 3 != 0 && found->is_inlier[i] != 0 ? 1 : 0;
    CHECK(good >= 30);
  }
}

TEST_CASE("a plane gives a homography, a turned camera a rotation, at the noise") {
  std::mt19937 generator(13);
  std::normal_distribution<double> normal(0.0, 1e-4);
  Scene plane = random_scene(generator, 60, 0.0);
  Scene turned = plane;
  for (std::size_t i = 0; i < plane.pairs.size(); ++i) {
    const Point2d first = plane.pairs[i].first;
    const Vector3d ray(first.x(), first.y(), 1.0);
    const double depth = 8.0 / (1.0 + 0.3 * first.x() - 0.2 * first.y());
    const Point2d a = (plane.pose.rotation * ray * depth + plane.pose.translation).hnormalized();
    const Point2d b = (plane.pose.rotation * ray).hnormalized();
    plane.pairs[i].second = a + Point2d(normal(generator), normal(generator));
    turned.pairs[i].second = b + Point2d(normal(generator), normal(generator));
  }
  const double expected = std::sqrt(2.0) * 1e-4;
  const auto homography = robust_homography(plane.pairs);
  REQUIRE(homography);
  CHECK(homography->rms == doctest::Approx(expected).epsilon(0.25));
  const auto rotation = robust_rotation(turned.pairs);
  REQUIRE(rotation);
  CHECK(rotation->rms == doctest::Approx(expected).epsilon(0.25));
  CHECK((rotation->matrix - turned.pose.rotation).norm() < 2e-4);
  CHECK(robust_rotation(plane.pairs)->rms > 50.0 * expected);
}

TEST_CASE("too few or coinciding points have no answer, and crash nothing") {
  const std::vector<PointPair> same(20, PointPair{{0.1, 0.2}, {0.1, 0.2}});
  CHECK(!fundamental_eight_point(std::span(same).first(7)));
  CHECK(!fundamental_eight_point(same));
  CHECK(!robust_homography(same));
  CHECK(!robust_essential(std::span(same).first(5)));
  (void)robust_essential(same);
  (void)robust_rotation(same);
  const std::vector<PointPair> bad(20, PointPair{{NAN, 0.2}, {0.1, INFINITY}});
  CHECK(!fundamental_eight_point(bad));
  (void)robust_essential(bad);
  (void)robust_homography(bad);
  (void)robust_rotation(bad);
}
