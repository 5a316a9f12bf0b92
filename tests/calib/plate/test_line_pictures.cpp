// From pixels to the lens: rendered plates with straight and curved edges, known lens.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <vector>

#include "calib/plate/line_fit.h"
#include "tests/support/field.h"
#include "tests/support/line_scene.h"

namespace {

using namespace trueplate;
using tests::lines_in;
using tests::PlumbLens;
using tests::world_of;

}  // namespace

TEST_CASE("the lens of rendered plates, with and without curved things in them") {
  for (const double k1 : {-0.18, 0.08}) {
    for (const bool with_rounds : {false, true}) {
      const PlumbLens truth{.centre_px = {486.0, 266.0}, .k1 = k1};
      const Image<float> picture =
          photograph(world_of(truth.plate_size, {.num_rounds = with_rounds ? 10 : 0, .seed = 7}),
                     truth,
                     {.noise = 0.006});
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
          fmt::format("k1 {}{}: {}, field error {:.3f} px rms {:.3f} max, k1 off "
                      "by {:.1f} sigma, bend {:.2f} -> {:.2f} px, noise {:.3f}, structure {:.3f}",
                      k1,
                      with_rounds ? ", 10 discs" : "",
                      tests::fit_text(*fit),
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
    const Image<float> picture =
        photograph(world_of(truth.plate_size, {.reach = strong.reach, .seed = strong.seed}),
                   truth,
                   {.noise = 0.006});
    const plate::LineSet lines = lines_in(picture);
    const auto fit =
        plate::fit_lens_to_lines(lines, {.focal_px = Point2d(truth.focal_px, truth.focal_px)});
    REQUIRE_MESSAGE(fit.has_value(), (fit ? std::string() : fit.error().message));
    const tests::FieldError error = tests::field_error(fit->lens, truth.as_lens());
    MESSAGE(
        fmt::format("focal {} px, k1 {}, k2 {}: {}, field error {:.3f} px rms "
                    "{:.3f} max",
                    truth.focal_px,
                    truth.k1,
                    truth.k2,
                    tests::fit_text(*fit),
                    error.rms_px,
                    error.max_px));
    CHECK(error.rms_px < 0.3);
    CHECK(fit->num_lines >= 25);
  }
}
