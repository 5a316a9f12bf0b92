// Every lens model is found again from views of a lens of its own kind, from the ordinary start.

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "calib/lens/model.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

namespace {

/// A lens as it might be shot: coefficients, and the focal length over the plate's width.
struct Case {
  std::string_view model;
  std::vector<double> coefficients;
  Point2d focal_share = {0.95, 0.9505};
  tests::SyntheticOptions views = {};
  double focal_ratio = 1.0;
  double exact_map_error_px = 2e-3;
  /// Whether the views tell the coefficients apart; else only the residuals are judged, and the
  /// start of the comment at the case says why.
  bool determined = true;
};

const Case kCases[] = {
    {.model = "radial-tangential", .coefficients = {-0.18, 0.09, -0.02, 0.0006, -0.0004}},
    // A wide lens: 90 degrees across.
    {.model = "rational",
     .coefficients = {0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 0.0006, -0.0004},
     .focal_share = {0.55, 0.5503},
     .views = {.num_views = 40, .columns = 14, .rows = 9, .noise_px = 0.05, .fill = 0.7}},
    // Coefficients that differ much fit equally well (numerator against denominator, tilt against
    // principal point and decentering), along a valley so curved that standard deviations do not
    // describe it.
    // 67 degrees across: where corners lie near 60 degrees off the axis, the fit of the prism
    // models may end at the edge of what allows_corner() permits. Their further terms are drawn
    // towards 0.
    {.model = "rational-prism",
     .coefficients = {0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 6e-4, -4e-4, 2e-3, -1e-3, -3e-3, 1e-3},
     .focal_share = {0.75, 0.7503},
     .views = {.num_views = 40, .columns = 14, .rows = 9, .noise_px = 0.05, .fill = 0.7},
     .exact_map_error_px = 0.05,
     .determined = false},
    {.model = "rational-prism-tilt",
     .coefficients =
         {0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 6e-4, -4e-4, 2e-3, -1e-3, -3e-3, 1e-3, 0.03, -0.02},
     .focal_share = {0.75, 0.7503},
     .views = {.num_views = 40, .columns = 14, .rows = 9, .noise_px = 0.05, .fill = 0.7},
     .exact_map_error_px = 0.1,
     .determined = false},
    {.model = "radial-free-centre", .coefficients = {-0.18, 0.09, -0.02, 0.012, -0.007}},
    {.model = "division-1", .coefficients = {-0.16}, .focal_share = {0.6, 0.6003}},
    {.model = "division-2", .coefficients = {-0.16, 0.012}, .focal_share = {0.6, 0.6003}},
    // Squeeze 2 on square pixels.
    {.model = "cylindrical-2",
     .coefficients = {-0.06,
                      0.03,
                      0.012,
                      0.02,
                      0.05,
                      -0.02,
                      -0.09,
                      0.01,
                      0.03,
                      0.06,
                      4e-4,
                      -3e-4,
                      0.006,
                      -0.018},
     .focal_share = {0.9, 1.8},
     .views = {.num_views = 30, .columns = 14, .rows = 9},
     .focal_ratio = 0.5},
    {.model = "cylindrical-3",
     .coefficients = {-0.06, 0.03, 0.012, 0.02,   0.05, -0.002, 0.01,  -0.02, 0.03,  -0.02, -0.09,
                      0.01,  0.03, 0.06,  -0.004, 0.02, 0.01,   -0.05, 4e-4,  -3e-4, 0.006, -0.018},
     .focal_share = {0.9, 1.8},
     .views = {.num_views = 40, .columns = 14, .rows = 9, .noise_px = 0.05},
     .focal_ratio = 0.5},
    // A field of nothing over its base: the rectangle is not fitted, and what the field could be is
    // held by its prior. Lenses that need the field: test_spline_fit.cpp.
    {.model = "spline-field",
     .coefficients =
         [] {
           std::vector<double> base_only(lens::SplineField::kNumParameters, 0.0);
           const std::vector<double> base{-0.18, 0.09, -0.02, 0.0006, -0.0004, 0.6, 0.35};
           std::copy(base.begin(), base.end(), base_only.begin());
           return base_only;
         }(),
     .determined = false},
    // 150 degrees across.
    {.model = "equidistant",
     .coefficients = {0.03, -0.012, 0.004, -0.0008},
     .focal_share = {0.38, 0.3802},
     .views = {.num_views = 30, .fill = 0.7}},
};

lens::Lens lens_of(const Case& c) {
  lens::Lens lens = tests::synthetic_lens();
  lens.focal_px = c.focal_share * lens.plate_size.width;
  const Result<lens::Model> model = lens::make_model(c.model, c.coefficients);
  REQUIRE(model);
  lens.model = *model;
  return lens;
}

/// The largest distance between where two lenses image the same straight points, over the plate;
/// after the best shift, for the principal point trades against a turn of the camera.
double largest_map_error_px(const lens::Lens& truth, const lens::Lens& fitted) {
  double worst = 0.0;
  for (int j = 1; j < 10; ++j) {
    for (int i = 1; i < 16; ++i) {
      const Point2d p_plate(truth.plate_size.width * i / 16.0, truth.plate_size.height * j / 10.0);
      const auto ray = lens::undistort_to_ray(truth.model, lens::ideal_from_px(truth, p_plate));
      REQUIRE(ray);
      const auto p = lens::distort_ray(fitted.model, *ray);
      REQUIRE(p);
      const Point2d shift = truth.principal_point_px - fitted.principal_point_px;
      worst = std::max(worst, (lens::px_from_ideal(fitted, *p) + shift - p_plate).norm());
    }
  }
  return worst;
}

}  // namespace

TEST_CASE("there is a case for every model") {
  for (const lens::ModelInfo& info : lens::model_table()) {
    CAPTURE(info.name);
    CHECK(std::any_of(
        std::begin(kCases), std::end(kCases), [&](const Case& c) { return c.model == info.name; }));
  }
}

TEST_CASE("exact corners give back the lens") {
  for (const Case& c : kCases) {
    CAPTURE(c.model);
    const lens::Lens truth = lens_of(c);
    tests::SyntheticOptions options = c.views;
    options.noise_px = 0.0;
    options.seed = 41;
    const auto fitted = fit::fit_lens(
        tests::synthetic_views(truth, options).views,
        {.model = std::string(c.model), .focal_ratio = c.focal_ratio, .held_out_folds = 0});
    REQUIRE_MESSAGE(fitted.has_value(), (fitted ? "" : fitted.error().message));
    CHECK(fitted->rms_px < 1e-3);  // the rational model's coefficients are drawn towards 0
    CHECK(largest_map_error_px(truth, fitted->lens) < c.exact_map_error_px);
  }
}

TEST_CASE("noisy corners give back the lens within what the fit admits") {
  for (const Case& c : kCases) {
    CAPTURE(c.model);
    const lens::Lens truth = lens_of(c);
    const Eigen::VectorXd wanted = tests::parameters_of(truth);
    tests::SyntheticOptions options = c.views;
    options.seed = 44;
    const auto fitted = fit::fit_lens(
        tests::synthetic_views(truth, options).views,
        {.model = std::string(c.model), .focal_ratio = c.focal_ratio, .held_out_folds = 0});
    REQUIRE_MESSAGE(fitted.has_value(), (fitted ? "" : fitted.error().message));
    CHECK(fitted->noise_sigma_px == doctest::Approx(options.noise_px).epsilon(0.05));
    for (Eigen::Index i = 0; c.determined && i < wanted.size(); ++i) {
      CAPTURE(fitted->parameter_names[static_cast<std::size_t>(i)]);
      CAPTURE(wanted(i));
      CAPTURE(fitted->parameters(i));
      CAPTURE(fitted->sigma(i));
      CHECK(std::abs(fitted->parameters(i) - wanted(i)) < 3.0 * fitted->sigma(i));
    }
    MESSAGE(c.model << ": map error " << largest_map_error_px(truth, fitted->lens)
                    << " px at most, " << fitted->map_sigma_max_px << " px claimed, "
                    << fitted->iterations << " iterations, " << fitted->seconds << " s");
  }
}

// The rational prism model's k4 .. k6 are 0 here, where a fit draws them: the further terms are
// then determined well enough for their standard deviations to be judged.
TEST_CASE("thin prism terms and a tilted sensor come back within their stated sigma") {
  struct Tried {
    std::string_view model;
    std::vector<double> coefficients;
    std::vector<std::string_view> judged;
  };
  const std::vector<double> prism{
      -0.18, 0.09, -0.02, 0.0, 0.0, 0.0, 6e-4, -4e-4, 4e-3, -2e-3, -5e-3, 2e-3};
  std::vector<double> tilted = prism;
  tilted.insert(tilted.end(), {0.04, -0.03});
  for (const Tried& tried :
       {Tried{"rational-prism", prism, {"s1", "s2", "s3", "s4"}},
        Tried{"rational-prism-tilt", tilted, {"s1", "s2", "s3", "s4", "tau_x", "tau_y"}}}) {
    CAPTURE(tried.model);
    lens::Lens truth = tests::synthetic_lens();
    const Result<lens::Model> model = lens::make_model(tried.model, tried.coefficients);
    REQUIRE(model);
    truth.model = *model;
    const Eigen::VectorXd wanted = tests::parameters_of(truth);
    double sum = 0.0;
    int count = 0;
    for (unsigned seed = 71; seed < 75; ++seed) {
      const auto views = tests::synthetic_views(truth,
                                                {.num_views = 40,
                                                 .columns = 14,
                                                 .rows = 9,
                                                 .noise_px = 0.05,
                                                 .fill = 0.7,
                                                 .seed = seed})
                             .views;
      const auto fitted =
          fit::fit_lens(views, {.model = std::string(tried.model), .held_out_folds = 0});
      REQUIRE_MESSAGE(fitted.has_value(), (fitted ? "" : fitted.error().message));
      for (Eigen::Index i = 0; i < wanted.size(); ++i) {
        const std::string& name = fitted->parameter_names[static_cast<std::size_t>(i)];
        if (std::find(tried.judged.begin(), tried.judged.end(), name) == tried.judged.end())
          continue;
        const double off = (fitted->parameters(i) - wanted(i)) / fitted->sigma(i);
        CAPTURE(name);
        CAPTURE(wanted(i));
        CAPTURE(fitted->parameters(i));
        CHECK(std::abs(off) < 3.5);
        // It is there at all: the views tell it from 0.
        if (seed == 71) MESSAGE(name << " " << fitted->parameters(i) << " +- " << fitted->sigma(i));
        sum += off * off;
        ++count;
      }
    }
    MESSAGE(tried.model << ": errors over sigma " << std::sqrt(sum / count) << " rms");
    CHECK(std::sqrt(sum / count) < 1.6);
  }
}
