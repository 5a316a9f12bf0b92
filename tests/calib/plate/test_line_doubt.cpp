// Whether lines say so when they do not tell which model a lens has: rendered plates of random
// lenses from weak to strong, of which none is quite one of the models. How often models that
// disagree are told, and how far the map is off beside what is stated of it. A few lenses by
// default; TRUEPLATE_LINES_CASES=12 and TRUEPLATE_LINES_SEED=3001 make the table of
// docs/accuracy.md. The seed (1) is the first lens's: others are other lenses and plates.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <random>
#include <string>
#include <vector>

#include "calib/plate/line_fit.h"
#include "tests/support/field.h"
#include "tests/support/line_scene.h"
#include "tests/support/map_error.h"
#include "tests/support/warnings.h"

namespace {

using namespace trueplate;
using tests::lines_in;
using tests::PlumbLens;
using tests::world_of;

int from_environment(const char* name, int otherwise) {
  const char* text = std::getenv(name);
  return text != nullptr ? std::max(1, std::atoi(text)) : otherwise;
}

int cases_a_class() { return from_environment("TRUEPLATE_LINES_CASES", 1); }

/// By how much of its radius the corner of the plate is moved.
struct Strength {
  const char* name;
  double least;
  double most;
};

double uniform(std::mt19937& random, double low, double high) {
  return std::uniform_real_distribution<double>(low, high)(random);
}

/// Barrel three times of four. The second term is of the size that it has in lenses: about the
/// square of the first (atan r / r, for example, is 1 - r^2 / 3 + r^4 / 5).
PlumbLens random_lens(const Strength& strength, std::mt19937& random) {
  for (;;) {
    PlumbLens lens{.focal_px = uniform(random, 450.0, 1200.0),
                   .centre_px = {uniform(random, 470.0, 490.0), uniform(random, 262.0, 278.0)}};
    const bool is_barrel = uniform(random, 0.0, 1.0) < 0.75;
    const double share = uniform(random, strength.least, strength.most);
    const double corner2 = std::pow(std::hypot(480.0, 270.0) / lens.focal_px, 2.0);
    // Of the picture's corner, which a barrel draws in from farther out.
    lens.k1 = (is_barrel ? -1.2 : 0.6) * share / corner2;
    lens.k2 =
        lens.k1 * lens.k1 * (is_barrel ? uniform(random, 0.2, 1.2) : uniform(random, -0.5, 0.5));
    const Point2d corner = lens.straight({0.0, 0.0}) - lens.centre_px;
    constexpr double kMostDrawn = 2.5;
    if (!(corner.norm() < kMostDrawn * lens.centre_px.norm())) continue;
    if ((lens.bent(corner + lens.centre_px)).norm() > 0.1) continue;  // folded
    return lens;
  }
}

struct Seen {
  int fitted = 0;
  int refused = 0;
  int disagree = 0;    // with the warning
  int beyond_two = 0;  // true error above two of the stated
  double discarded_px = 0.0;
  double lines_px = 0.0;
  double ratio_squares = 0.0;
  std::vector<double> errors_px;
};

bool is_told(const plate::LineFit& fit) {
  return tests::has_warning(fit.warnings, "models-disagree");
}

std::string text_of(const plate::LineFit& fit,
                    const tests::MapError& error,
                    const PlumbLens& truth) {
  const tests::FieldError field = tests::field_error(fit.lens, truth.as_lens());
  return fmt::format(
      "{}; map off by {:.3f} px rms, {:.3f} px at worst, stated {:.3f} and {:.3f} px, of it by the "
      "model {:.3f} px; field {:.3f} and {:.3f} px{}",
      tests::fit_text(fit),
      error.rms_px,
      error.max_px,
      fit.map_sigma_rms_px,
      fit.map_sigma_max_px,
      fit.model_doubt ? fit.model_doubt->rms_px : 0.0,
      field.rms_px,
      field.max_px,
      is_told(fit) ? "; told" : "");
}

}  // namespace

TEST_CASE("a lens that lines leave open is stated as such, and weak ones raise no alarm") {
  for (const Strength& strength : {Strength{"weak", 0.004, 0.02},
                                   Strength{"medium", 0.02, 0.08},
                                   Strength{"strong", 0.08, 0.16},
                                   Strength{"very strong", 0.16, 0.25}}) {
    Seen seen;
    for (int i = 0; i < cases_a_class(); ++i) {
      const auto seed = static_cast<std::uint32_t>(from_environment("TRUEPLATE_LINES_SEED", 1) + i);
      std::mt19937 random(7919 * seed + static_cast<std::uint32_t>(1000.0 * strength.most));
      const PlumbLens truth = random_lens(strength, random);
      const double reach =
          (truth.straight({0.0, 0.0}) - truth.centre_px).norm() / truth.centre_px.norm();
      const plate::LineSet lines =
          lines_in(photograph(world_of(truth.plate_size, {.reach = 0.97 * reach, .seed = seed}),
                              truth,
                              {.noise = 0.006}));
      const auto fit =
          plate::fit_lens_to_lines(lines, {.focal_px = Point2d(truth.focal_px, truth.focal_px)});
      if (!fit) {
        ++seen.refused;
        fmt::print("  {}, seed {}: {}\n", strength.name, seed, fit.error().message);
        continue;
      }
      ++seen.fitted;
      const tests::MapError error = tests::map_error(fit->lens, truth.as_lens());
      const double ratio = error.rms_px / fit->map_sigma_rms_px;
      seen.disagree += is_told(*fit) ? 1 : 0;
      seen.beyond_two += ratio > 2.0 ? 1 : 0;
      seen.ratio_squares += ratio * ratio;
      seen.errors_px.push_back(error.rms_px);
      for (const plate::LineResult& line : fit->lines) {
        seen.lines_px += line.length_px;
        if (line.used) continue;
        seen.discarded_px += line.length_px;
        if (cases_a_class() > 2) {
          fmt::print("    left out: {:.0f} px, bent by {:.1f}: {}\n",
                     line.length_px,
                     line.before.max_px,
                     line.reason);
        }
      }
      fmt::print("  {}, seed {}, focal {:.0f} px, k1 {:.3f}, k2 {:.3f}: {}\n",
                 strength.name,
                 seed,
                 truth.focal_px,
                 truth.k1,
                 truth.k2,
                 text_of(*fit, error, truth));
      if (cases_a_class() > 2) {
        for (const plate::LineTrial& trial : fit->trials) {
          fmt::print("    {}: rms {:.4f}, held out {:.4f}, weight {:.3f}, apart {:.3f} px: {}\n",
                     trial.model,
                     trial.rms_px.value_or(0.0),
                     trial.held_out_rms_px.value_or(0.0),
                     trial.weight,
                     trial.apart ? trial.apart->rms_px : 0.0,
                     trial.chosen ? "chosen" : trial.reason);
        }
      }
      std::fflush(stdout);
    }
    if (seen.fitted == 0) continue;
    std::sort(seen.errors_px.begin(), seen.errors_px.end());
    const double ratio = std::sqrt(seen.ratio_squares / seen.fitted);
    fmt::print(
        "{}: {} lenses, {} refused; map off by {:.3f} px in the median, {:.3f} px at most, {:.2f} "
        "of "
        "the stated (rms), above two of it in {}; models that disagree told of {}; {:.1f} % of the "
        "edges' length left out\n",
        strength.name,
        seen.fitted,
        seen.refused,
        seen.errors_px[seen.errors_px.size() / 2],
        seen.errors_px.back(),
        ratio,
        seen.beyond_two,
        seen.disagree,
        100.0 * seen.discarded_px / seen.lines_px);
    // Beyond that the stated error is now and then too small (docs/accuracy.md); the map is near
    // all the same.
    if (strength.most < 0.1) {
      CHECK(ratio < 2.0);
    } else {
      CHECK(seen.errors_px[seen.errors_px.size() / 2] < 0.3);
      CHECK(seen.errors_px.back() < 1.5);
    }
    if (strength.most < 0.05) CHECK(seen.disagree <= 0.05 * cases_a_class());
  }
}

TEST_CASE("one strong lens, other plates: the edges near the corners count") {
  const PlumbLens truth{.focal_px = 520.0, .centre_px = {486.0, 266.0}, .k1 = -0.25, .k2 = 0.05};
  for (const std::uint32_t seed : {7U, 8U, 9U, 10U}) {
    for (const double reach : {1.0, 1.4}) {
      if (cases_a_class() <= 2 && reach > 1.2) continue;
      const plate::LineSet lines = lines_in(photograph(
          world_of(truth.plate_size, {.reach = reach, .seed = seed}), truth, {.noise = 0.006}));
      const auto fit =
          plate::fit_lens_to_lines(lines, {.focal_px = Point2d(truth.focal_px, truth.focal_px)});
      REQUIRE_MESSAGE(fit.has_value(), (fit ? std::string() : fit.error().message));
      const tests::MapError error = tests::map_error(fit->lens, truth.as_lens());
      fmt::print(
          "seed {}, world {} times the plate: {}\n", seed, reach, text_of(*fit, error, truth));
      CHECK(error.rms_px < (reach < 1.2 ? 0.3 : 1.0));
    }
  }
}
