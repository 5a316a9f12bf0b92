// From pixels to the lens: rendered plates with straight and curved edges, known lens.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include "calib/plate/edge_chains.h"
#include "calib/plate/line_fit.h"
#include "tests/support/field.h"
#include "tests/support/line_scene.h"

namespace {

using namespace trueplate;
using tests::PlumbLens;

/// Beams, frames and stripes, and discs among them; `reach` times as large as the plate.
tests::World world_of(ImageSize plate, bool with_rounds, std::uint32_t seed, double reach = 1.0) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  const auto place = [&] {
    const double y = plate.height * (0.02 + 0.96 * share(random));
    const double x = plate.width * (0.02 + 0.96 * share(random));
    const Point2d middle(0.5 * plate.width, 0.5 * plate.height);
    return Point2d(middle + reach * (Point2d(x, y) - middle));
  };
  tests::World world{.grey = 0.4, .slabs = {}, .rounds = {}};
  for (int i = 0; i < 14; ++i) {
    const double turn = (share(random) - 0.5) * 0.5 + (i % 2 == 0 ? 0.0 : std::numbers::pi / 2.0);
    world.slabs.push_back(
        {.middle = place(),
         .length = reach * plate.width * (0.4 + 0.6 * share(random)),
         .width = reach * (12.0 + 50.0 * share(random)),
         .angle_rad = turn,
         .grey = i % 3 == 0 ? 0.1 + 0.2 * share(random) : 0.6 + 0.35 * share(random)});
  }
  for (int i = 0; with_rounds && i < 10; ++i) {
    world.rounds.push_back({.middle = place(),
                            .radius = reach * (25.0 + 75.0 * share(random)),
                            .grey = i % 2 == 0 ? 0.15 : 0.85});
  }
  return world;
}

plate::LineSet lines_in(const Image<float>& picture) {
  plate::LineSet lines{.plate_size = {picture.width(), picture.height()}, .chains = {}};
  for (auto& chain : plate::find_edge_chains(picture.view())) {
    lines.chains.push_back({.name = std::to_string(lines.chains.size() + 1),
                            .frame = "",
                            .points_px = std::move(chain)});
  }
  return lines;
}

}  // namespace

TEST_CASE("the lens of rendered plates, with and without curved things in them") {
  for (const double k1 : {-0.18, 0.08}) {
    for (const bool with_rounds : {false, true}) {
      const PlumbLens truth{.centre_px = {486.0, 266.0}, .k1 = k1};
      const Image<float> picture =
          photograph(world_of(truth.plate_size, with_rounds, 7), truth, {.noise = 0.006});
      const plate::LineSet lines = lines_in(picture);
      const auto fit =
          plate::fit_lens_to_lines(lines, {.focal_px = Point2d(truth.focal_px, truth.focal_px)});
      INFO((fit ? std::string() : fit.error().message));
      REQUIRE(fit.has_value());
      double bend = 0.0;
      double straightened = 0.0;
      for (const plate::LineResult& line : fit->lines) {
        if (!line.used) continue;
        bend = std::max(bend, line.before.max_px);
        straightened = std::max(straightened, line.after->max_px);
      }
      const tests::FieldError error = tests::field_error(fit->lens, truth.as_lens());
      const double k1_error =
          (lens::parameters(fit->lens.model)[0] - k1) / std::max(fit->sigma[4], 1e-12);
      MESSAGE(
          fmt::format("k1 {}{}: {} of {} lines, {}, field error {:.3f} px rms {:.3f} max, k1 off "
                      "by {:.1f} sigma, bend {:.2f} -> {:.2f} px, noise {:.3f}, structure {:.3f}",
                      k1,
                      with_rounds ? ", 10 discs" : "",
                      fit->num_lines,
                      fit->lines.size(),
                      lens::model_name(fit->lens.model),
                      error.rms_px,
                      error.max_px,
                      k1_error,
                      bend,
                      straightened,
                      fit->noise_px,
                      fit->structure_px));
      CHECK(error.rms_px < 0.1);
      CHECK(error.max_px < 0.6);
      CHECK(fit->num_lines >= 10);
    }
  }
}

TEST_CASE("strong lenses: what few lines near the corners know of the second coefficient counts") {
  struct Strong {
    PlumbLens lens;
    double reach;  // of the world, since the lens draws it together
    std::uint32_t seed;
  };
  const Point2d centre(486.0, 266.0);
  for (const Strong& strong : std::vector<Strong>{
           {{.focal_px = 700.0, .centre_px = centre, .k1 = -0.3, .k2 = 0.06}, 1.2, 8},
           {{.focal_px = 900.0, .centre_px = centre, .k1 = 0.15}, 0.97, 7}}) {
    const PlumbLens& truth = strong.lens;
    const Image<float> picture = photograph(
        world_of(truth.plate_size, false, strong.seed, strong.reach), truth, {.noise = 0.006});
    const plate::LineSet lines = lines_in(picture);
    const auto fit =
        plate::fit_lens_to_lines(lines, {.focal_px = Point2d(truth.focal_px, truth.focal_px)});
    REQUIRE_MESSAGE(fit.has_value(), (fit ? std::string() : fit.error().message));
    const tests::FieldError error = tests::field_error(fit->lens, truth.as_lens());
    MESSAGE(
        fmt::format("focal {} px, k1 {}, k2 {}: {} of {} lines, {}, field error {:.3f} px rms "
                    "{:.3f} max",
                    truth.focal_px,
                    truth.k1,
                    truth.k2,
                    fit->num_lines,
                    fit->lines.size(),
                    lens::model_name(fit->lens.model),
                    error.rms_px,
                    error.max_px));
    CHECK(error.rms_px < 0.3);
    CHECK(fit->num_lines >= 25);
  }
}
