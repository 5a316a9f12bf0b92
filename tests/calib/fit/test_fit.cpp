// A lens is recovered: from exact and noisy corners, with wrong ones among them, with what is known
// beforehand. The truth is known by construction.

#include "calib/base/decompositions.h"
#include "calib/fit/fit.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <random>
#include <vector>

#include "tests/calib/fit/synthetic.h"
#include "tests/support/warnings.h"

using namespace trueplate;
using fit::FitOptions;
using fit::LensFit;
using fit::Rejection;

namespace {

/// A set with nothing to complain about.
tests::Synthetic good_set(const lens::Lens& lens, unsigned seed, double noise_px = 0.1) {
  return tests::synthetic_views(lens, {.num_views = 16, .noise_px = noise_px, .seed = seed});
}

}  // namespace

TEST_CASE("exact corners give back the lens and the poses") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto data = good_set(truth, 11, 0.0);
  for (Rejection rejection : {Rejection::kOff, Rejection::kRobust}) {
    const auto fitted = fit::fit_lens(data.views, {.rejection = rejection});
    REQUIRE(fitted);
    const Eigen::VectorXd error = fitted->parameters - tests::parameters_of(truth);
    CHECK(error.head<4>().cwiseAbs().maxCoeff() < 1e-6);
    CHECK(error.tail<5>().cwiseAbs().maxCoeff() < 1e-7);
    CHECK(fitted->rms_px < 1e-8);
    CHECK(fitted->num_points == 16 * 54);
    for (std::size_t i = 0; i < data.poses.size(); ++i) {
      const fit::Pose& pose = fitted->frames[i].camera_from_chart;
      CHECK((pose.rotation - data.poses[i].rotation).norm() < 1e-8);
      CHECK((pose.translation_mm - data.poses[i].translation_mm).norm() < 1e-4);
      CHECK(fitted->frames[i].tilt_deg ==
            doctest::Approx(std::acos(data.poses[i].rotation(2, 2)) * 180.0 / EIGEN_PI));
    }
    CHECK(fitted->lens.plate_size == truth.plate_size);
    CHECK((fitted->lens.focal_px - fitted->parameters.head<2>()).norm() == 0.0);
  }
}

TEST_CASE("errors agree with the reported covariance") {
  const lens::Lens truth = tests::synthetic_lens();
  constexpr int kSets = 60;
  constexpr unsigned kFirstSeed = 500;
  MESSAGE("seeds " << kFirstSeed << " to " << kFirstSeed + kSets - 1);
  for (Rejection rejection : {Rejection::kOff, Rejection::kRobust}) {
    double chi_square = 0.0;
    double noise_ratio = 0.0;
    double corner_chi = 0.0;
    Eigen::VectorXd z_square = Eigen::VectorXd::Zero(9);
    for (int set = 0; set < kSets; ++set) {
      const auto data = good_set(truth, kFirstSeed + static_cast<unsigned>(set));
      const auto fitted = fit::fit_lens(data.views, {.rejection = rejection, .held_out_folds = 0});
      REQUIRE(fitted);
      const Eigen::VectorXd error = fitted->parameters - tests::parameters_of(truth);
      chi_square += error.dot(solve_symmetric<Eigen::Dynamic>(fitted->covariance, error));
      z_square += error.cwiseQuotient(fitted->sigma).cwiseAbs2();
      noise_ratio += std::pow(fitted->noise_sigma_px / 0.1, 2) / kSets;

      // The map itself: where the ray of the plate's corner lands, nothing absorbed.
      const Point2d corner(1920.0, 1080.0);
      const Point2d ideal = *lens::undistort(truth.model, lens::ideal_from_px(truth, corner));
      const Point2d moved =
          lens::px_from_ideal(fitted->lens, *lens::distort(fitted->lens.model, ideal));
      const double sigma = *fit::map_sigma_px(*fitted, corner, fit::Absorbed::kNothing);
      corner_chi += (moved - corner).squaredNorm() / (sigma * sigma);
    }
    // Sum of kSets variables with 9 degrees of freedom: mean 9 kSets, variance 18 kSets.
    const double mean = 9.0 * kSets;
    const double deviation = std::sqrt(18.0 * kSets);
    MESSAGE("chi square " << chi_square << ", expected " << mean << " +- " << deviation);
    CHECK(std::abs(chi_square - mean) < 4.0 * deviation);
    for (int i = 0; i < 9; ++i) {
      CHECK(std::abs(z_square(i) - kSets) < 4.0 * std::sqrt(2.0 * kSets));
    }
    // Pooled variance over 60 sets of about 1600 degrees of freedom: relative deviation 0.0046.
    CHECK(std::abs(noise_ratio - 1.0) < 0.02);
    // Between one axis carrying everything (1 degree of freedom) and both alike (2).
    CHECK(corner_chi / kSets > 0.6);
    CHECK(corner_chi / kSets < 2.6);
  }
}

TEST_CASE("map sigma: absorbing more leaves less, and the forecast comes true") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto fitted = fit::fit_lens(good_set(truth, 12).views, {.held_out_folds = 0});
  REQUIRE(fitted);
  const Point2d corner(0.0, 0.0);
  const double all = *fit::map_sigma_px(*fitted, corner, fit::Absorbed::kNothing);
  const double turned = *fit::map_sigma_px(*fitted, corner, fit::Absorbed::kRotation);
  const double zoomed = *fit::map_sigma_px(*fitted, corner, fit::Absorbed::kRotationAndFocal);
  CHECK(all > turned);
  CHECK(turned > zoomed);
  CHECK(zoomed > 0.0);
  CHECK(fitted->map_sigma_max_px >= fitted->map_sigma_rms_px);
  CHECK(fitted->map_sigma_max_px == doctest::Approx(turned).epsilon(2.0));
  // Beyond the fold of a lens there is nothing to know.
  fit::LensFit folding = *fitted;
  folding.lens.model = lens::RadialTangential({-0.3, 0.0, 0.0, 0.0, 0.0});
  CHECK_FALSE(fit::map_sigma_px(folding, {1e9, 1e9}));
}

TEST_CASE("wrong corners and frames are found, named and left out") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto clean = good_set(truth, 13);
  const auto reference = fit::fit_lens(clean.views, {.held_out_folds = 0});
  REQUIRE(reference);

  std::vector<target::View> views = clean.views;
  std::mt19937 random(1300);
  std::vector<std::pair<std::size_t, std::size_t>> wrong;
  for (std::size_t v = 0; v < views.size(); ++v) {
    for (int n = 0; n < 3; ++n) {
      const std::size_t c = random() % views[v].corners.size();
      const double angle = 0.001 * static_cast<double>(random() % 6283);
      const double length = 1.5 + 0.1 * static_cast<double>(random() % 400);
      views[v].corners[c].p_plate_px += length * Point2d(std::cos(angle), std::sin(angle));
      wrong.emplace_back(v, c);
    }
  }
  // One frame whose rows were counted wrongly, one smeared by motion.
  target::View miscounted = clean.views[2];
  miscounted.frame = "miscounted";
  for (std::size_t c = 0; c < miscounted.corners.size(); ++c) {
    miscounted.corners[c].p_plate_px =
        clean.views[2].corners[(7 * c) % miscounted.corners.size()].p_plate_px;
  }
  target::View smeared = clean.views[5];
  smeared.frame = "smeared";
  std::normal_distribution<double> smear(0.0, 4.0);
  for (target::Corner& corner : smeared.corners) {
    corner.p_plate_px += Point2d(smear(random), smear(random));
  }
  views.push_back(miscounted);
  views.push_back(smeared);

  const auto fitted = fit::fit_lens(views, {.held_out_folds = 0});
  REQUIRE(fitted);
  for (const auto& [v, c] : wrong) {
    const fit::PointFit& point = fitted->frames[v].points[c];
    CHECK_FALSE(point.used);
    CHECK(point.reason.find("px, limit") != std::string::npos);
  }
  int falsely_rejected = 0;
  for (std::size_t v = 0; v < clean.views.size(); ++v) {
    CHECK(fitted->frames[v].used);
    falsely_rejected += fitted->frames[v].num_points - fitted->frames[v].num_used;
  }
  falsely_rejected -= static_cast<int>([&] {
    auto unique = wrong;
    std::sort(unique.begin(), unique.end());
    return std::unique(unique.begin(), unique.end()) - unique.begin();
  }());
  CHECK(falsely_rejected <= 1);
  CHECK_FALSE(fitted->frames[16].used);
  CHECK_FALSE(fitted->frames[17].used);
  CHECK_FALSE(fitted->frames[16].reason.empty());
  CHECK(fitted->frames[17].reason.find("times the median") != std::string::npos);
  CHECK(tests::has_warning(fitted->warnings, "frames-rejected"));
  CHECK(tests::has_warning(fitted->warnings, "many-rejected"));
  // The lens is as good as without the wrong ones.
  const Eigen::VectorXd error = fitted->parameters - tests::parameters_of(truth);
  CHECK(error.dot(solve_symmetric<Eigen::Dynamic>(fitted->covariance, error)) <
        27.9);  // 99.9 % of chi square, 9 d.o.f.
  CHECK(fitted->rms_px == doctest::Approx(reference->rms_px).epsilon(0.03));
  // With rejection off they all count, and it shows.
  const auto off = fit::fit_lens(views, {.rejection = Rejection::kOff, .held_out_folds = 0});
  REQUIRE(off);
  CHECK(off->rms_px > 1.0);
  CHECK(off->num_points >= 17 * 54);  // the miscounted frame may not even have a homography
}

TEST_CASE("nothing is rejected from clean Gaussian corners") {
  const auto data = good_set(tests::synthetic_lens(), 14);
  const auto robust = fit::fit_lens(data.views, {.held_out_folds = 0});
  const auto plain = fit::fit_lens(data.views, {.rejection = Rejection::kOff, .held_out_folds = 0});
  REQUIRE(robust);
  REQUIRE(plain);
  CHECK(robust->num_points == 16 * 54);
  // Both end in the same least-squares optimum.
  CHECK((robust->parameters - plain->parameters).cwiseQuotient(plain->sigma).cwiseAbs().maxCoeff() <
        1e-4);
}

TEST_CASE("a blurred frame stays in, and the result is still the least-squares optimum") {
  auto data = good_set(tests::synthetic_lens(), 30);
  std::mt19937 random(3000);
  std::normal_distribution<double> blur(0.0, 0.35);
  for (target::Corner& corner : data.views[4].corners) {
    corner.p_plate_px += Point2d(blur(random), blur(random));
  }
  const auto robust = fit::fit_lens(data.views, {.held_out_folds = 0});
  const auto plain = fit::fit_lens(data.views, {.rejection = Rejection::kOff, .held_out_folds = 0});
  REQUIRE(robust);
  REQUIRE(plain);
  CHECK(robust->num_points == 16 * 54);
  CHECK((robust->parameters - plain->parameters).cwiseQuotient(plain->sigma).cwiseAbs().maxCoeff() <
        1e-4);
  CHECK(robust->rms_px == doctest::Approx(plain->rms_px).epsilon(1e-9));
  // Residuals, rms and noise tell one story.
  double squares = 0.0;
  for (const fit::FrameFit& frame : robust->frames) {
    for (const fit::PointFit& point : frame.points) squares += point.residual_px.squaredNorm();
  }
  const double freedom = 2.0 * robust->num_points - 9.0 - 6.0 * robust->num_frames;
  CHECK(std::sqrt(squares / freedom) == doctest::Approx(robust->noise_sigma_px).epsilon(1e-9));
}

TEST_CASE("a fixed focal length stays, and frees a single view") {
  const lens::Lens truth = tests::synthetic_lens();
  auto data = tests::synthetic_views(truth, {.num_views = 1, .fill = 0.8, .seed = 21});
  const auto fixed =
      fit::fit_lens(data.views, {.focal_mode = fit::FocalMode::kFixed, .focal_px = truth.focal_px});
  REQUIRE(fixed);
  CHECK((fixed->lens.focal_px - truth.focal_px).norm() == 0.0);
  CHECK(fixed->sigma(0) == 0.0);
  CHECK(fixed->sigma(1) == 0.0);
  CHECK(fixed->sigma(2) > 0.0);
  CHECK(tests::has_warning(fixed->warnings, "few-frames"));
  const auto free = fit::fit_lens(data.views, {});
  REQUIRE_FALSE(free);
  CHECK(free.error().code == ErrorCode::kUndetermined);
  CHECK(free.error().message.find("at least 3 frames") != std::string::npos);
  CHECK(free.error().message.find("fix it") != std::string::npos);
}

TEST_CASE("known sigmas weigh the corners") {
  const lens::Lens truth = tests::synthetic_lens();
  auto data = good_set(truth, 22);
  std::mt19937 random(2200);
  std::normal_distribution<double> noise(0.0, 1.0);
  for (target::View& view : data.views) {
    for (std::size_t c = 0; c < view.corners.size(); ++c) {
      view.corners[c].sigma_px = 0.1;
      if (c % 2 == 0) continue;
      view.corners[c].sigma_px = 1.0;
      view.corners[c].p_plate_px += std::sqrt(0.99) * Point2d(noise(random), noise(random));
    }
  }
  const FitOptions equal{.rejection = Rejection::kOff, .held_out_folds = 0};
  FitOptions weighted = equal;
  weighted.weighting = fit::Weighting::kBySigma;
  const auto a = fit::fit_lens(data.views, equal);
  const auto b = fit::fit_lens(data.views, weighted);
  REQUIRE(a);
  REQUIRE(b);
  CHECK(b->sigma(0) < 0.5 * a->sigma(0));
  const Eigen::VectorXd error = b->parameters - tests::parameters_of(truth);
  CHECK(error.dot(solve_symmetric<Eigen::Dynamic>(b->covariance, error)) <
        27.9);  // 99.9 % of chi square, 9 d.o.f.
}

TEST_CASE("a bowed chart with known heights is fitted as it is") {
  const lens::Lens truth = tests::synthetic_lens();
  auto data = good_set(truth, 23, 0.0);
  for (std::size_t v = 0; v < data.views.size(); ++v) {
    for (target::Corner& corner : data.views[v].corners) {
      const double x = (corner.p_chart_mm.x() - 100.0) / 100.0;
      corner.p_chart_mm.z() = 300.0 + 3.0 * x * x;  // and the chart's plane is not z = 0
      const Eigen::Vector3d p =
          data.poses[v].rotation * corner.p_chart_mm + data.poses[v].translation_mm;
      corner.p_plate_px =
          lens::px_from_ideal(truth,
                              lens::RadialTangential::distort(
                                  Point2d(p.hnormalized()), lens::parameters(truth.model).data()));
    }
  }
  const auto fitted = fit::fit_lens(data.views, {});
  REQUIRE(fitted);
  CHECK((fitted->parameters - tests::parameters_of(truth)).head<4>().cwiseAbs().maxCoeff() < 1e-5);
  CHECK(fitted->rms_px < 1e-7);
}

TEST_CASE("long, short and strongly bent lenses converge from the corners alone") {
  struct Case {
    double focal;
    std::array<double, 5> coefficients;
    double fill;
  };
  for (const Case& c : {Case{0.55, {-0.28, 0.10, -0.02, 0.0, 0.0}, 0.5},
                        Case{0.7, {-0.35, 0.15, -0.03, 0.001, 0.001}, 0.6},
                        Case{4.0, {0.5, 3.0, 0.0, 0.0, 0.0}, 0.6},
                        Case{1.2, {0.15, 0.05, 0.0, 0.0, 0.0}, 0.5}}) {
    CAPTURE(c.focal);
    lens::Lens truth = tests::synthetic_lens({2048, 1152});
    truth.focal_px = Point2d(1.0, 1.0) * c.focal * 2048.0;
    truth.model = lens::RadialTangential(c.coefficients);
    const auto data = tests::synthetic_views(
        truth, {.num_views = 20, .max_tilt_deg = 45.0, .fill = c.fill, .seed = 24});
    const auto fitted = fit::fit_lens(data.views, {});
    REQUIRE(fitted);
    const Eigen::VectorXd error = fitted->parameters - tests::parameters_of(truth);
    CHECK(error.dot(solve_symmetric<Eigen::Dynamic>(fitted->covariance, error)) <
          33.7);  // 99.99 %, 9 d.o.f.
    CHECK(fitted->num_frames == 20);
  }
}
