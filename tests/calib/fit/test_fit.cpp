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

Eigen::VectorXd parameters_of(const lens::Lens& lens) {
  const auto coefficients = lens::parameters(lens.model);
  Eigen::VectorXd result(4 + static_cast<Eigen::Index>(coefficients.size()));
  result.head<4>() << lens.focal_px, lens.principal_point_px;
  for (std::size_t i = 0; i < coefficients.size(); ++i) {
    result(4 + static_cast<Eigen::Index>(i)) = coefficients[i];
  }
  return result;
}

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
    const Eigen::VectorXd error = fitted->parameters - parameters_of(truth);
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
      const Eigen::VectorXd error = fitted->parameters - parameters_of(truth);
      chi_square += error.dot(fitted->covariance.ldlt().solve(error));
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
  const Eigen::VectorXd error = fitted->parameters - parameters_of(truth);
  CHECK(error.dot(fitted->covariance.ldlt().solve(error)) <
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

TEST_CASE("the order of the views changes nothing") {
  auto data = good_set(tests::synthetic_lens(), 15);
  data.views[3].corners[7].p_plate_px.x() += 9.0;
  const FitOptions options{.threads = 1};
  const auto before = fit::fit_lens(data.views, options);
  REQUIRE(before);
  std::vector<target::View> views = data.views;
  std::reverse(views.begin(), views.end());
  std::swap(views[1], views[6]);
  const auto after = fit::fit_lens(views, options);
  REQUIRE(after);
  CHECK((before->parameters - after->parameters).isZero(0.0));
  CHECK((before->covariance - after->covariance).isZero(0.0));
  CHECK(before->held_out_rms_px == after->held_out_rms_px);
  for (std::size_t i = 0; i < views.size(); ++i) {
    CHECK(after->frames[i].frame == views[i].frame);
    const auto same = std::find_if(before->frames.begin(),
                                   before->frames.end(),
                                   [&](const auto& f) { return f.frame == views[i].frame; });
    REQUIRE(same != before->frames.end());
    CHECK(same->rms_px == after->frames[i].rms_px);
    CHECK(same->num_used == after->frames[i].num_used);
  }
}

TEST_CASE("any number of threads gives the same bits") {
  const auto data = tests::synthetic_views(tests::synthetic_lens(), {.num_views = 60, .seed = 16});
  const auto one = fit::fit_lens(data.views, {.threads = 1});
  REQUIRE(one);
  for (int threads : {0, 2, 7}) {
    const auto several = fit::fit_lens(data.views, {.threads = threads});
    REQUIRE(several);
    CHECK((one->parameters - several->parameters).isZero(0.0));
    CHECK((one->covariance - several->covariance).isZero(0.0));
    CHECK(one->rms_px == several->rms_px);
    CHECK(one->held_out_rms_px == several->held_out_rms_px);
  }
}

TEST_CASE("twice the resolution doubles the focal length") {
  const auto data = good_set(tests::synthetic_lens(), 17);
  std::vector<target::View> twice = data.views;
  for (target::View& view : twice) {
    view.plate_size = {2 * view.plate_size.width, 2 * view.plate_size.height};
    for (target::Corner& corner : view.corners) corner.p_plate_px *= 2.0;
  }
  const auto a = fit::fit_lens(data.views, {.rejection = Rejection::kOff});
  const auto b = fit::fit_lens(twice, {.rejection = Rejection::kOff});
  REQUIRE(a);
  REQUIRE(b);
  CHECK((b->lens.focal_px - 2.0 * a->lens.focal_px).norm() < 1e-5);
  CHECK((b->lens.principal_point_px - 2.0 * a->lens.principal_point_px).norm() < 1e-5);
  CHECK((b->parameters.tail<5>() - a->parameters.tail<5>()).norm() < 1e-7);
  CHECK(b->rms_px == doctest::Approx(2.0 * a->rms_px).epsilon(1e-8));
}

TEST_CASE("a mirrored plate mirrors the principal point") {
  const auto data = good_set(tests::synthetic_lens(), 18);
  std::vector<target::View> mirrored = data.views;
  for (target::View& view : mirrored) {
    for (target::Corner& corner : view.corners) {
      corner.p_plate_px.x() = view.plate_size.width - corner.p_plate_px.x();
    }
  }
  const auto a = fit::fit_lens(data.views, {.rejection = Rejection::kOff});
  const auto b = fit::fit_lens(mirrored, {.rejection = Rejection::kOff});
  REQUIRE(a);
  REQUIRE(b);
  CHECK((b->lens.focal_px - a->lens.focal_px).norm() < 1e-5);
  CHECK(b->lens.principal_point_px.x() ==
        doctest::Approx(1920.0 - a->lens.principal_point_px.x()).epsilon(1e-8));
  CHECK(b->lens.principal_point_px.y() ==
        doctest::Approx(a->lens.principal_point_px.y()).epsilon(1e-8));
}

TEST_CASE("anamorphic: unequal focal lengths, and a wrong expectation is reported") {
  lens::Lens truth = tests::synthetic_lens();
  truth.focal_px = {1000.0, 2000.0};
  const auto data = tests::synthetic_views(truth, {.num_views = 16, .fill = 0.35, .seed = 19});
  const auto fitted = fit::fit_lens(data.views, {.focal_ratio = 0.5});
  REQUIRE(fitted);
  CHECK(std::abs(fitted->lens.focal_px.x() - 1000.0) < 5.0 * fitted->sigma(0));
  CHECK(std::abs(fitted->lens.focal_px.y() - 2000.0) < 5.0 * fitted->sigma(1));
  CHECK_FALSE(tests::has_warning(fitted->warnings, "focal-ratio"));
  const auto unexpected = fit::fit_lens(data.views, {.focal_ratio = 1.0});
  REQUIRE(unexpected);
  CHECK((unexpected->parameters - fitted->parameters)
            .cwiseQuotient(fitted->sigma)
            .cwiseAbs()
            .maxCoeff() < 1e-3);
  CHECK(tests::has_warning(unexpected->warnings, "focal-ratio"));
}

TEST_CASE("held-out rms is close to the noise where there are frames enough, worse where not") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto many =
      fit::fit_lens(tests::synthetic_views(truth, {.num_views = 40, .seed = 20}).views, {});
  REQUIRE(many);
  REQUIRE(many->held_out_rms_px);
  // 0.1 px in x and in y; the pose from 27 corners adds 6 parameters to 54 numbers on the other
  // half.
  const double expected = 0.1 * std::sqrt(2.0) * std::sqrt(1.0 + 6.0 / 54.0);
  CHECK(*many->held_out_rms_px == doctest::Approx(expected).epsilon(0.05));
  CHECK_FALSE(tests::has_warning(many->warnings, "held-out-worse"));
  const auto none = fit::fit_lens(
      tests::synthetic_views(truth, {.num_views = 40, .seed = 20}).views, {.held_out_folds = 0});
  REQUIRE(none);
  CHECK_FALSE(none->held_out_rms_px);
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
  const Eigen::VectorXd error = b->parameters - parameters_of(truth);
  CHECK(error.dot(b->covariance.ldlt().solve(error)) < 27.9);  // 99.9 % of chi square, 9 d.o.f.
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
  CHECK((fitted->parameters - parameters_of(truth)).head<4>().cwiseAbs().maxCoeff() < 1e-5);
  CHECK(fitted->rms_px < 1e-7);
}

TEST_CASE("what is not noise is told from noise") {
  const lens::Lens truth = tests::synthetic_lens();
  // White noise: no share, whatever its size.
  for (double noise : {0.05, 0.5}) {
    const auto fitted = fit::fit_lens(good_set(truth, 25, noise).views, {.held_out_folds = 0});
    REQUIRE(fitted);
    REQUIRE(fitted->systematic_share);
    CHECK(std::abs(*fitted->systematic_share) < 0.12);
    CHECK_FALSE(tests::has_warning(fitted->warnings, "systematic-residuals"));
  }
  // A print that is bowed by 3 mm over 200 mm, believed to be flat.
  auto data = good_set(truth, 26, 0.05);
  std::mt19937 random(2600);
  std::normal_distribution<double> noise(0.0, 0.05);
  for (std::size_t v = 0; v < data.views.size(); ++v) {
    for (target::Corner& corner : data.views[v].corners) {
      const double x = (corner.p_chart_mm.x() - 100.0) / 100.0;
      const Eigen::Vector3d bowed = corner.p_chart_mm + Eigen::Vector3d(0.0, 0.0, 3.0 * x * x);
      const Eigen::Vector3d p = data.poses[v].rotation * bowed + data.poses[v].translation_mm;
      corner.p_plate_px =
          lens::px_from_ideal(truth, *lens::distort(truth.model, Point2d(p.hnormalized()))) +
          Point2d(noise(random), noise(random));
    }
  }
  const auto bowed =
      fit::fit_lens(data.views, {.chart_shape = fit::ChartShape::kFlat, .held_out_folds = 0});
  REQUIRE(bowed);
  REQUIRE(bowed->systematic_share);
  CHECK(*bowed->systematic_share > 0.8);
  CHECK(tests::has_warning(bowed->warnings, "systematic-residuals"));
  // And what is left is the noise that was put in.
  CHECK(bowed->noise_sigma_px * std::sqrt(1.0 - *bowed->systematic_share) ==
        doctest::Approx(0.05).epsilon(0.3));
}

TEST_CASE("a cropped plate: the principal point is found far from the centre, and reported") {
  const lens::Lens whole = tests::synthetic_lens();
  auto data = good_set(whole, 27);
  for (target::View& view : data.views) {
    view.plate_size = {1400, 1080};
    std::erase_if(view.corners, [](const auto& c) { return c.p_plate_px.x() > 1400.0; });
  }
  const auto fitted = fit::fit_lens(data.views, {.held_out_folds = 0});
  REQUIRE(fitted);
  CHECK(std::abs(fitted->lens.principal_point_px.x() - whole.principal_point_px.x()) <
        4.0 * fitted->sigma(2));
  CHECK(std::abs(fitted->lens.focal_px.x() - whole.focal_px.x()) < 4.0 * fitted->sigma(0));
  CHECK(tests::has_warning(fitted->warnings, "principal-point-far"));
}

TEST_CASE("corners in the middle only: the fit says that the frame's corner is a guess") {
  // A strong lens seen through the middle third: whatever the polynomial does outside, it is not
  // measured.
  lens::Lens truth = tests::synthetic_lens();
  truth.model = lens::RadialTangential({-0.3, 0.12, -0.02, 0.0, 0.0});
  auto data =
      tests::synthetic_views(truth, {.num_views = 20, .noise_px = 0.2, .fill = 0.3, .seed = 28});
  const Point2d centre(960.0, 540.0);
  for (target::View& view : data.views) {
    std::erase_if(view.corners,
                  [&](const auto& c) { return (c.p_plate_px - centre).norm() > 400.0; });
  }
  const auto fitted = fit::fit_lens(data.views, {});
  REQUIRE(fitted);
  CHECK(tests::has_warning(fitted->warnings, "poor-coverage"));
  CHECK(tests::has_warning(fitted->warnings, "short-reach"));
  CHECK(tests::has_warning(fitted->warnings, "uncertain-map"));
  // The forecast at the frame's corner covers the true error there.
  const Point2d corner(0.0, 0.0);
  const auto sigma = fit::map_sigma_px(*fitted, corner, fit::Absorbed::kNothing);
  REQUIRE(sigma);
  const Point2d ideal = *lens::undistort(truth.model, lens::ideal_from_px(truth, corner));
  if (const auto moved = lens::distort(fitted->lens.model, ideal)) {
    CHECK((lens::px_from_ideal(fitted->lens, *moved) - corner).norm() < 5.0 * *sigma);
  }
}

TEST_CASE(
    "a lens that itself folds inside the plate is fitted as one that does not, and reported") {
  // The truth itself folds at r = 1 / sqrt(3 * 0.5) = 0.816, inside the plate's corner at about
  // 0.58 distorted; no corner was seen beyond.
  lens::Lens truth = tests::synthetic_lens();
  truth.focal_px = {1000.0, 1000.0};
  truth.model = lens::RadialTangential({-0.5, 0.0, 0.0, 0.0, 0.0});
  const auto data = tests::synthetic_views(truth, {.num_views = 20, .fill = 0.4, .seed = 29});
  const auto fitted = fit::fit_lens(data.views, {.held_out_folds = 0});
  REQUIRE(fitted);
  CHECK(lens::invertible_share_of_border(fitted->lens) == 1.0);
  CHECK(tests::has_warning(fitted->warnings, "fold"));
  REQUIRE(fitted->fold);
  CHECK(fitted->fold->invertible_share < 1.0);
  CHECK(fitted->fold->rms_px == doctest::Approx(0.1 * std::sqrt(2.0)).epsilon(0.1));
  MESSAGE("rms " << fitted->fold->rms_px << " px folding, " << fitted->rms_px << " px held");
  CHECK(fitted->rms_px < 2.0);
}

TEST_CASE("too few frames for the noise: held-out frames say so") {
  int warned = 0;
  for (unsigned seed = 200; seed < 206; ++seed) {
    const auto data = tests::synthetic_views(
        tests::synthetic_lens(),
        {.num_views = 3, .columns = 5, .rows = 4, .noise_px = 0.8, .fill = 0.3, .seed = seed});
    const auto fitted = fit::fit_lens(data.views, {});
    if (!fitted) continue;
    REQUIRE(fitted->held_out_rms_px);
    if (tests::has_warning(fitted->warnings, "held-out-worse")) ++warned;
  }
  CHECK(warned > 0);
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
    const Eigen::VectorXd error = fitted->parameters - parameters_of(truth);
    CHECK(error.dot(fitted->covariance.ldlt().solve(error)) < 33.7);  // 99.99 %, 9 d.o.f.
    CHECK(fitted->num_frames == 20);
  }
}
