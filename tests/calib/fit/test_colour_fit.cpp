// Red and blue beside green from exact places, where the differing lens is known in closed form.

#include "calib/fit/colour_fit.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>
#include <random>
#include <vector>

using namespace trueplate;
using fit::ColourPair;

namespace {

lens::Lens green_lens() {
  lens::Lens lens;
  lens.plate_size = {960, 640};
  lens.pixel_aspect = 1.25;
  lens.focal_px = {930.0, 928.0};
  lens.principal_point_px = {484.0, 317.0};
  lens.model = lens::RadialTangential({-0.1, 0.02, 0.0, 0.0, 0.0});
  return lens;
}

lens::Lens red_lens() {
  lens::Lens lens = green_lens();
  lens.focal_px *= 1.0006;
  lens.principal_point_px += Point2d(0.05, -0.03);
  lens.model = lens::RadialTangential({-0.1015, 0.02, 0.0, 0.0, 0.0});
  return lens;
}

/// Where the ray that green has at p_px is seen through `lens`.
Point2d through(const lens::Lens& lens, const Point2d& p_px) {
  const lens::Lens green = green_lens();
  const auto ideal = lens::undistort(green.model, lens::ideal_from_px(green, p_px));
  REQUIRE(ideal);
  return lens::px_from_ideal(lens, *lens::distort(lens.model, *ideal));
}

/// Places all over the plate, with noise of `sigma_px` per coordinate in each colour.
std::vector<ColourPair> pairs_through(const lens::Lens& lens, double sigma_px, unsigned seed = 1) {
  std::mt19937 random(seed);
  std::normal_distribution<double> noise(0.0, 1.0);
  std::vector<ColourPair> pairs;
  const auto noisy = [&](const Point2d& p) {
    return Point2d(p.x() + sigma_px * noise(random), p.y() + sigma_px * noise(random));
  };
  for (int y = 10; y < 640; y += 31) {
    for (int x = 10; x < 960; x += 33) {
      const Point2d green(x, y);
      const Point2d colour = through(lens, green);
      pairs.push_back({noisy(green), noisy(colour)});
    }
  }
  return pairs;
}

/// Root mean square, over the plate, of where the fitted lens has a colour, less the truth.
double error_rms_px(const lens::Lens& fitted, const lens::Lens& truth) {
  double squares = 0.0;
  int count = 0;
  for (int y = 0; y <= 640; y += 20) {
    for (int x = 0; x <= 960; x += 20) {
      squares += (through(fitted, {x, y}) - through(truth, {x, y})).squaredNorm();
      ++count;
    }
  }
  return std::sqrt(squares / count);
}

}  // namespace

TEST_CASE("exact places give the lens back, and how far it lies beside green") {
  const auto fit = fit::fit_colour(green_lens(), pairs_through(red_lens(), 0.0));
  REQUIRE_MESSAGE(fit.has_value(), fit.error().message);
  CHECK(error_rms_px(fit->lens, red_lens()) < 1e-7);
  CHECK((fit->lens.focal_px - red_lens().focal_px).norm() < 1e-6);
  CHECK((fit->lens.principal_point_px - red_lens().principal_point_px).norm() < 1e-6);
  CHECK(fit->lens.pixel_aspect == 1.25);
  CHECK(fit->num_rejected == 0);
  CHECK(fit->shift.significant);
  const auto true_shift_px = [](const Point2d& p) { return (through(red_lens(), p) - p).norm(); };
  double largest_px = 0.0;
  for (int y = 0; y <= 640; ++y) {
    for (int x = 0; x <= 960; ++x) largest_px = std::max(largest_px, true_shift_px(Point2d(x, y)));
  }
  // It is looked for on a grid.
  CHECK(fit->shift.max_px == doctest::Approx(largest_px).epsilon(0.02));
  CHECK(fit->shift.max_px == doctest::Approx(true_shift_px(fit->shift.max_at_px)).epsilon(1e-6));
  CHECK(fit->shift.rms_px < fit->shift.max_px);
}

TEST_CASE("equal channels differ by nothing, significantly") {
  for (const double sigma_px : {0.0, 1e-7}) {
    const auto fit = fit::fit_colour(green_lens(), pairs_through(green_lens(), sigma_px));
    REQUIRE(fit.has_value());
    CHECK_FALSE(fit->shift.significant);
    CHECK(fit->shift.max_px < 1e-6);
    CHECK(fit->noise_sigma_px == fit::kLeastColourNoisePx);
  }
}

TEST_CASE("noise is told from a shift, and sigma is what it says") {
  constexpr double kNoisePx = 0.03;
  int significant = 0;
  double squares = 0.0;
  double variances = 0.0;
  double normalised = 0.0;
  constexpr int kRuns = 40;
  for (unsigned seed = 1; seed <= kRuns; ++seed) {
    const auto same = fit::fit_colour(green_lens(), pairs_through(green_lens(), kNoisePx, seed));
    REQUIRE(same.has_value());
    significant += same->shift.significant ? 1 : 0;
    const auto fit = fit::fit_colour(green_lens(), pairs_through(red_lens(), kNoisePx, seed));
    REQUIRE(fit.has_value());
    CHECK(fit->shift.significant);
    CHECK(fit->noise_sigma_px == doctest::Approx(kNoisePx * std::sqrt(2.0)).epsilon(0.1));
    squares += std::pow(error_rms_px(fit->lens, red_lens()), 2);
    variances += std::pow(fit->shift.rms_sigma_px, 2);
    normalised += std::pow((fit->lens.focal_px.x() - red_lens().focal_px.x()) / fit->sigma(0), 2);
  }
  std::printf("noise %.3f px: error of the shift %.5f px rms over the plate, sigma %.5f px\n",
              kNoisePx,
              std::sqrt(squares / kRuns),
              std::sqrt(variances / kRuns));
  // One in a thousand by chance.
  CHECK(significant <= 1);
  CHECK(std::sqrt(squares / variances) == doctest::Approx(1.0).epsilon(0.25));
  CHECK(std::sqrt(normalised / kRuns) == doctest::Approx(1.0).epsilon(0.35));
}

TEST_CASE("pairs that do not belong are left out unless all are kept") {
  std::vector<ColourPair> pairs = pairs_through(red_lens(), 0.02);
  for (std::size_t i = 0; i < pairs.size(); i += 10) pairs[i].colour_px += Point2d(2.0, -1.0);
  const auto fit = fit::fit_colour(green_lens(), pairs);
  REQUIRE(fit.has_value());
  CHECK(fit->num_rejected >= static_cast<int>(pairs.size() / 10));
  CHECK(error_rms_px(fit->lens, red_lens()) < 0.01);
  const auto all = fit::fit_colour(green_lens(), pairs, {.rejection = fit::Rejection::kOff});
  REQUIRE(all.has_value());
  CHECK(all->num_rejected == 0);
  CHECK(error_rms_px(all->lens, red_lens()) > 0.1);
}

TEST_CASE("every lens model has its colours") {
  for (const lens::ModelInfo& info : lens::model_table()) {
    CAPTURE(info.name);
    std::vector<double> values(info.parameter_names.size(), 0.0);
    values[0] = -0.05;
    lens::Lens green = green_lens();
    green.model = *lens::make_model(info.name, values);
    values[0] = -0.0505;
    lens::Lens red = green;
    red.focal_px *= 1.0003;
    red.model = *lens::make_model(info.name, values);
    std::vector<ColourPair> pairs;
    double squares = 0.0;
    for (int y = 0; y <= 640; y += 20) {
      for (int x = 0; x <= 960; x += 20) {
        const Point2d p(x, y);
        const auto ray = lens::undistort_to_ray(green.model, lens::ideal_from_px(green, p));
        REQUIRE(ray);
        pairs.push_back({p, lens::px_from_ideal(red, *lens::distort_ray(red.model, *ray))});
        squares += (pairs.back().colour_px - p).squaredNorm();
      }
    }
    const auto fit = fit::fit_colour(green, pairs);
    REQUIRE_MESSAGE(fit.has_value(), fit.error().message);
    CHECK(fit->rms_px < 1e-4);
    CHECK(fit->shift.rms_px ==
          doctest::Approx(std::sqrt(squares / static_cast<double>(pairs.size()))).epsilon(0.1));
  }
}

TEST_CASE("a colour through a spline field: green's field, drawn together a little") {
  // A ripple as green's field has it; red's is 0.3 % larger and has its middle elsewhere.
  lens::SplineField::Parameters values{};
  values[0] = -0.06;
  values[lens::SplineField::kHalfWidth] = 0.55;
  values[lens::SplineField::kHalfHeight] = 0.36;
  for (int control = 0; control < lens::SplineField::kNumControls; ++control) {
    const double x = (control % lens::SplineField::kColumns - 4.5) / 4.5;
    const double y = (static_cast<int>(control / lens::SplineField::kColumns) - 3.0) / 3.0;
    values[lens::SplineField::kFirstX + control] = 0.003 * x * std::cos(3.0 * std::hypot(x, y));
    values[lens::SplineField::kFirstY + control] = 0.002 * y * std::cos(3.0 * std::hypot(x, y));
  }
  lens::Lens green = green_lens();
  green.model = lens::SplineField(values);
  lens::Lens red = green;
  for (int i = lens::SplineField::kFirstX; i < lens::SplineField::kNumParameters; ++i) {
    values[static_cast<std::size_t>(i)] *= 1.003;
  }
  values[0] = -0.0605;
  red.focal_px *= 1.0004;
  red.model = lens::SplineField(values);

  std::mt19937 random(7);
  std::normal_distribution<double> noise(0.0, 0.03);
  std::vector<ColourPair> pairs;
  const auto seen = [&](const Point2d& p) {
    const auto ideal = lens::undistort(green.model, lens::ideal_from_px(green, p));
    REQUIRE(ideal);
    return lens::px_from_ideal(red, *lens::distort(red.model, *ideal));
  };
  for (int y = 10; y < 640; y += 21) {
    for (int x = 10; x < 960; x += 22) {
      const Point2d p(x, y);
      pairs.push_back({p, seen(p) + Point2d(noise(random), noise(random))});
    }
  }
  const auto fit = fit::fit_colour(green, pairs);
  REQUIRE_MESSAGE(fit.has_value(), fit.error().message);
  CHECK(fit->noise_sigma_px == doctest::Approx(0.03).epsilon(0.05));
  CHECK(fit->shift.significant);
  double squares = 0.0;
  int count = 0;
  for (int y = 0; y <= 640; y += 20) {
    for (int x = 0; x <= 960; x += 20) {
      const Point2d p(x, y);
      const auto ideal = lens::undistort(green.model, lens::ideal_from_px(green, p));
      REQUIRE(ideal);
      squares += (lens::px_from_ideal(fit->lens, *lens::distort(fit->lens.model, *ideal)) - seen(p))
                     .squaredNorm();
      ++count;
    }
  }
  const double error_px = std::sqrt(squares / count);
  std::printf("spline field: error of the shift %.5f px rms over the plate, sigma %.5f px\n",
              error_px,
              fit->shift.rms_sigma_px);
  CHECK(error_px < 2.0 * fit->shift.rms_sigma_px);
  CHECK(error_px < 0.01);
}

TEST_CASE("what cannot be fitted is refused") {
  std::vector<ColourPair> pairs = pairs_through(red_lens(), 0.0);
  const std::vector<ColourPair> few(pairs.begin(), pairs.begin() + 17);
  auto fit = fit::fit_colour(green_lens(), few);
  REQUIRE_FALSE(fit.has_value());
  CHECK(fit.error().code == ErrorCode::kUndetermined);
  CHECK(fit.error().message.starts_with("17 points measured"));
  CHECK_FALSE(fit::fit_colour(green_lens(), {}).has_value());

  // All at one place.
  const std::vector<ColourPair> same(100, pairs.front());
  fit = fit::fit_colour(green_lens(), same);
  REQUIRE_FALSE(fit.has_value());
  CHECK(fit.error().code == ErrorCode::kUndetermined);

  pairs[3].colour_px.x() = std::numeric_limits<double>::quiet_NaN();
  fit = fit::fit_colour(green_lens(), pairs);
  REQUIRE_FALSE(fit.has_value());
  CHECK(fit.error().code == ErrorCode::kInvalidInput);

  lens::Lens broken = green_lens();
  broken.focal_px.x() = 0.0;
  CHECK_FALSE(fit::fit_colour(broken, pairs_through(red_lens(), 0.0)).has_value());
}
