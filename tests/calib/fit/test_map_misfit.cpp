// Lenses that the fitted model cannot follow: whether that is told from noise, and whether the
// stated error of the map is then the true one. The true error is computed from the lens that took
// the pictures (tests/support/known_lens.h); nothing of the forecast is used.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "tests/calib/fit/field_error.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/support/known_lens.h"

using namespace trueplate;
using tests::KnownLens;

namespace {

constexpr int kShoots = 4;
constexpr unsigned kFirstSeed = 4100;

struct Case {
  std::string name;
  KnownLens lens;
  std::string model;
  double noise_px = 0.1;
  int num_views = 14;
};

tests::Synthetic shoot(const Case& c, unsigned seed) {
  return tests::synthetic_views({.plate_size = c.lens.plate_size,
                                 .focal_px = c.lens.focal_px,
                                 .plate_px = [&](const Point2d& p) { return plate_px(c.lens, p); }},
                                {.num_views = c.num_views,
                                 .columns = 14,
                                 .rows = 9,
                                 .noise_px = c.noise_px,
                                 .max_tilt_deg = 40.0,
                                 .fill = 0.8,
                                 .whole_chart = false,
                                 .seed = seed});
}

/// Where a used corner is near, of an even grid on the plate: the places, and the rays that the
/// true lens has there.
struct Seen {
  std::vector<Point2d> places;
  std::vector<Eigen::Vector3d> rays;
};

Seen seen_places(const Case& c, const fit::LensFit& fit, const std::vector<target::View>& views) {
  constexpr int kColumns = 17;
  constexpr int kRows = 11;
  const ImageSize plate = c.lens.plate_size;
  const double near_px = plate.width / 24.0;
  const auto corner_near = [&](const Point2d& p) {
    for (std::size_t v = 0; v < views.size(); ++v) {
      for (std::size_t k = 0; k < views[v].corners.size(); ++k) {
        if (fit.frames[v].points[k].used && (views[v].corners[k].p_plate_px - p).norm() < near_px) {
          return true;
        }
      }
    }
    return false;
  };
  Seen seen;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i) {
      const Point2d p(plate.width * i / (kColumns - 1.0), plate.height * j / (kRows - 1.0));
      const auto ideal = ideal_at(c.lens, p);
      if (!ideal || !lens::distort(fit.lens.model, *ideal) || !fit::map_sigma_px(fit, p)) continue;
      if (!corner_near(p)) continue;
      seen.places.push_back(p);
      seen.rays.emplace_back(ideal->x(), ideal->y(), 1.0);
    }
  }
  return seen;
}

/// Roots of mean squares over shoots and places.
struct Comparison {
  double true_px = 0.0;
  double stated_px = 0.0;
  double noise_alone_px = 0.0;  // stated without the misfit
  double noise_found_px = 0.0;  // per coordinate
  double rms_px = 0.0;
  double largest_p = 0.0;
  int warned = 0;
};

/// Somebody whose model was chosen among all is not told to try the others.
void check_words_of_chosen(const Case& c, const std::vector<target::View>& views, double ratio) {
  const auto chosen = fit::fit_lens(views,
                                    {.model = c.model,
                                     .model_was_chosen = true,
                                     .focal_ratio = ratio,
                                     .held_out_folds = 0,
                                     .threads = 1});
  REQUIRE_MESSAGE(chosen.has_value(), chosen.error().message);
  for (const Warning& warning : chosen->warnings) {
    if (warning.code != "model-misfit") continue;
    CHECK(warning.message.find("none of the other models") != std::string::npos);
    CHECK(warning.message.find("--model auto") == std::string::npos);
  }
}

Comparison run(const Case& c) {
  Comparison result;
  for (unsigned seed = kFirstSeed; seed < kFirstSeed + kShoots; ++seed) {
    CAPTURE(seed);
    const tests::Synthetic data = shoot(c, seed);
    const double ratio = std::round(10.0 * c.lens.focal_px.x() / c.lens.focal_px.y()) / 10.0;
    const auto fitted = fit::fit_lens(
        data.views, {.model = c.model, .focal_ratio = ratio, .held_out_folds = 0, .threads = 1});
    REQUIRE_MESSAGE(fitted.has_value(), fitted.error().message);
    REQUIRE(fitted->misfit);
    if (seed == kFirstSeed) check_words_of_chosen(c, data.views, ratio);
    const Seen seen = seen_places(c, *fitted, data.views);
    const auto errors = tests::field_errors_px(seen.places, seen.rays, fitted->lens);
    REQUIRE(errors);
    fit::LensFit believed = *fitted;
    believed.misfit.reset();
    const double share = 1.0 / (kShoots * static_cast<double>(seen.places.size()));
    result.true_px += share * errors->squaredNorm();
    for (const Point2d& p : seen.places) {
      result.stated_px += share * std::pow(*fit::map_sigma_px(*fitted, p), 2);
      result.noise_alone_px += share * std::pow(*fit::map_sigma_px(believed, p), 2);
    }
    result.noise_found_px += fitted->misfit->noise_sigma_px / kShoots;
    result.rms_px += fitted->rms_px / kShoots;
    result.largest_p = std::max(result.largest_p, fitted->misfit->p_value);
    result.warned += static_cast<int>(
        std::count_if(fitted->warnings.begin(), fitted->warnings.end(), [](const Warning& w) {
          if (w.code != "model-misfit") return false;
          CHECK(w.message.find("--model auto") != std::string::npos);  // it was not asked for
          return true;
        }));
  }
  result.true_px = std::sqrt(result.true_px);
  result.stated_px = std::sqrt(result.stated_px);
  result.noise_alone_px = std::sqrt(result.noise_alone_px);
  MESSAGE(fmt::format(
      "{} by {}: {} shoots from seed {}: rms {:.3f} px; map error where corners are {:.3f} px, "
      "stated {:.3f} px (from noise alone {:.3f}), true / stated {:.2f}; noise found {:.3f} of "
      "{:.3f} px, chance of the pattern {:.1g} at most, {} warned",
      c.name,
      c.model,
      kShoots,
      kFirstSeed,
      result.rms_px,
      result.true_px,
      result.stated_px,
      result.noise_alone_px,
      result.true_px / result.stated_px,
      result.noise_found_px,
      c.noise_px,
      result.largest_p,
      result.warned));
  return result;
}

KnownLens known(std::string_view name) {
  for (const KnownLens& lens : tests::known_lenses(1920)) {
    if (lens.name == name) return lens;
  }
  FAIL("no lens of that name");
  return {};
}

KnownLens moustache_of(double amplitude) {
  KnownLens lens = known("moustache");
  lens.radial = [amplitude](double r) {
    return r * (1.0 - 0.06 * r * r + amplitude * std::cos(12.0 * r));
  };
  return lens;
}

void check(const Case& c, double most, double least) {
  const Comparison result = run(c);
  CHECK(result.true_px < most * result.stated_px);
  CHECK(result.true_px > least * result.stated_px);
  CHECK(result.warned == kShoots);
}

}  // namespace

TEST_CASE("a model that is too simple is told from noise, and the stated error of the map has it") {
  check({"moustache", known("moustache"), "radial-tangential"}, 1.5, 0.6);
  check({"mild moustache", moustache_of(0.0015), "radial-tangential"}, 1.5, 0.6);
  check({"moustache", known("moustache"), "rational"}, 1.5, 0.6);
  check({"anamorphic 2x", known("anamorphic 2x"), "radial-tangential"}, 1.2, 0.8);
  KnownLens fisheye = known("fisheye");
  fisheye.focal_px *= 0.6 / 0.38;
  check({"fisheye, 95 degrees", fisheye, "radial-tangential"}, 1.5, 0.6);
}

TEST_CASE("a pattern of a hundredth of the noise's size is told from noise where points are many") {
  const Comparison result =
      run({"tiny moustache", moustache_of(2e-4), "radial-tangential", 0.1, 40});
  CHECK(result.largest_p < 1e-3);
  CHECK(result.true_px < 1.5 * result.stated_px);
}

TEST_CASE("noise alone is no pattern, whatever its size") {
  for (const double noise_px : {0.03, 0.3}) {
    const Comparison result =
        run({"spherical", known("spherical"), "radial-tangential", noise_px, 14});
    CHECK(result.warned == 0);
    CHECK(result.noise_found_px == doctest::Approx(noise_px).epsilon(0.05));
    CHECK(result.stated_px < 1.1 * result.noise_alone_px);
  }
}
