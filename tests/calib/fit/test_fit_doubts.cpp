// What a fit says against itself: warnings with their numbers, where the footage is weak or the
// model does not hold.

#include "calib/fit/fit.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <cmath>
#include <random>

#include "tests/calib/fit/synthetic.h"
#include "tests/support/warnings.h"

using namespace trueplate;

namespace {

/// A set with nothing to complain about.
tests::Synthetic good_set(const lens::Lens& lens, unsigned seed, double noise_px = 0.1) {
  return tests::synthetic_views(lens, {.num_views = 16, .noise_px = noise_px, .seed = seed});
}

}  // namespace

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
