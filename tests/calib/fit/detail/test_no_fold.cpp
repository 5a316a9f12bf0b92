// Fits are kept from folding back inside the frame: footage that provokes it, and a judge of
// its own (inverse and differences at places all over the plate, not the models' proven domains).

#include "calib/fit/detail/no_fold.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <string>
#include <vector>

#include "calib/fit/colour_fit.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

namespace {

/// A strong barrel of no rational or anamorphic family seen through the middle of the plate only.
std::vector<target::View> middle_only(double reach_px, double noise_px, unsigned seed) {
  lens::Lens truth = tests::synthetic_lens();
  truth.model = lens::RadialTangential({-0.3, 0.12, -0.02, 4e-4, -3e-4});
  auto views = tests::synthetic_views(
                   truth, {.num_views = 10, .noise_px = noise_px, .fill = 0.3, .seed = seed})
                   .views;
  const Point2d centre(960.0, 540.0);
  for (target::View& view : views) {
    std::erase_if(view.corners, [&](const target::Corner& c) {
      return (c.p_plate_px - centre).norm() > reach_px;
    });
  }
  return views;
}

/// Rays at places all over the plate, its border included: each exists, is imaged back where it was
/// seen, and they keep their order: the map from the plate to the unit sphere nowhere turns over.
void check_keeps_order(const lens::Lens& lens) {
  constexpr double kStepPx = 0.5;
  int without = 0;
  int turned = 0;
  double worst = 0.0;
  const auto ray_at = [&](double x, double y) {
    return lens::undistort_to_ray(lens.model, lens::ideal_from_px(lens, {x, y}));
  };
  for (int j = 0; j <= 12; ++j) {
    for (int i = 0; i <= 20; ++i) {
      const double x = lens.plate_size.width * i / 20.0;
      const double y = lens.plate_size.height * j / 12.0;
      const auto here = ray_at(x, y);
      const auto right = ray_at(x + kStepPx, y);
      const auto below = ray_at(x, y + kStepPx);
      if (!here || !right || !below) {
        ++without;
        continue;
      }
      const auto back = lens::distort_ray(lens.model, *here);
      worst =
          back ? std::max(worst, (lens::px_from_ideal(lens, *back) - Point2d(x, y)).norm()) : 1e9;
      if (!((*right - *here).cross(*below - *here).dot(*here) > 0.0)) ++turned;
    }
  }
  CHECK(without == 0);
  CHECK(turned == 0);
  CHECK(worst < 1e-8);
}

bool warns(const fit::LensFit& fit, std::string_view code) {
  return std::any_of(fit.warnings.begin(), fit.warnings.end(), [&](const Warning& warning) {
    return warning.code == code;
  });
}

}  // namespace

TEST_CASE("corners in the middle only: models are kept from folding, at little cost") {
  for (const std::string_view model : {"radial-tangential", "rational-prism"}) {
    CAPTURE(model);
    const auto fitted = fit::fit_lens(middle_only(420.0, 0.3, 1),
                                      {.model = std::string(model), .held_out_folds = 0});
    REQUIRE_MESSAGE(fitted.has_value(), (fitted ? "" : fitted.error().message));
    check_keeps_order(fitted->lens);
    CHECK(warns(*fitted, "fold"));
    CHECK_FALSE(warns(*fitted, "no-flat-picture"));
    REQUIRE(fitted->fold);
    MESSAGE(fmt::format(
        "{}: free it folds in {:.0f} % of the frame at rms {:.4f} px, held rms {:.4f} px",
        model,
        100.0 * (1.0 - fitted->fold->invertible_share),
        fitted->fold->rms_px,
        fitted->rms_px));
    CHECK(fitted->fold->invertible_share < 1.0);
    CHECK(fitted->rms_px < 1.05 * fitted->fold->rms_px);
  }
}

TEST_CASE("a fisheye's frame beyond 90 degrees, and beyond its last ray, is no fold") {
  lens::Lens lens = tests::synthetic_lens();
  lens.focal_px = {350.0, 350.0};  // 180 degrees at 1100 px, the plate's corners; 157 at its sides
  lens.model = lens::Equidistant({0.0, 0.0, 0.0, 0.0});
  CHECK(fit::detail::invertible_share_of_frame(lens) == 1.0);
  lens.focal_px = {250.0, 250.0};  // a circle inside the frame
  CHECK(fit::detail::invertible_share_of_frame(lens) == 1.0);
  lens.model = lens::Equidistant({-0.05, 0.0, 0.0, 0.0});  // stops growing at 148 degrees
  CHECK(fit::detail::invertible_share_of_frame(lens) < 1.0);
  lens.model = lens::RadialTangential({-0.3, 0.0, 0.0, 0.0, 0.0});
  CHECK(fit::detail::invertible_share_of_frame(lens) < 1.0);
}

TEST_CASE("a colour measured in the middle only does not fold either") {
  lens::Lens green = tests::synthetic_lens();
  std::mt19937 random(5);
  std::normal_distribution<double> noise(0.0, 0.3);
  for (int run = 0; run < 5; ++run) {
    std::vector<fit::ColourPair> pairs;
    for (int y = 340; y <= 740; y += 40) {
      for (int x = 700; x <= 1220; x += 40) {
        const Point2d p(x, y);
        pairs.push_back({p, p + Point2d(noise(random), noise(random))});
      }
    }
    const auto fitted = fit::fit_colour(green, pairs);
    REQUIRE_MESSAGE(fitted.has_value(), (fitted ? "" : fitted.error().message));
    check_keeps_order(fitted->lens);
    CHECK(fitted->noise_sigma_px == doctest::Approx(0.3).epsilon(0.2));
  }
}
