// Six lenses of which everything is known, from pictures: find the chart, fit, measure again, fit;
// how far the fitted map is from the true one over the whole plate. And what square-on pictures
// alone give.
//
// Lenses that a model holds are rendered by charts/synth, which inverts the program's lens formulas
// exactly; the moustache lens, and the square-on pictures, by tests/support/chart_render.h, which
// shares nothing with the program.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/lens/model.h"
#include "charts/synth/chart_footage.h"
#include "charts/synth/poses.h"
#include "tests/calib/picture_fit.h"
#include "tests/support/chart_render.h"
#include "tests/support/known_lens.h"
#include "tests/support/warnings.h"

using namespace trueplate;
using tests::ChartScene;
using tests::KnownLens;

namespace {

constexpr int kWidth = 960;
constexpr double kMostFieldErrorPx = 0.02;    // rms
constexpr double kMostFormulaErrorPx = 0.05;  // rms, of a lens that none holds
const target::Chart kBoard{.pitch_mm = 40.0, .columns = 14, .rows = 9};

std::vector<Image<float>> pictures_through(const lens::Lens& lens) {
  constexpr int kPictures = 12;
  const auto poses = synth::make_poses(
      lens, kBoard, {.count = kPictures, .border_squares = 1.0, .margin_px = 3.0});
  REQUIRE_MESSAGE(poses.has_value(), poses.error().message);
  std::vector<Image<float>> pictures;
  for (std::size_t i = 0; i < poses->size(); ++i) {
    auto footage = synth::render_chart(lens,
                                       kBoard,
                                       (*poses)[i].camera_from_chart,
                                       {.look = {},
                                        .blur_sigma_px = 0.7,
                                        .noise_sigma = 0.004,
                                        .seed = 300 + i,
                                        .vignetting = 0.3});
    REQUIRE_MESSAGE(footage.has_value(), footage.error().message);
    pictures.push_back(std::move(footage->luminance));
  }
  return pictures;
}

/// A large checkerboard that fills the plate and runs off it. Tilts and roll in degrees, and how
/// far its middle is from the plate's, px.
ChartScene wall(int width, int height, double focal_px, const std::array<double, 5>& p) {
  return {.width = width,
          .height = height,
          .columns = 41,
          .rows = 31,
          .pose = {.focal_px = focal_px,
                   .middle_px = {0.5 * width + p[3], 0.5 * height + p[4]},
                   .square_px = 48.0,
                   .tilt_x_deg = p[0],
                   .tilt_y_deg = p[1],
                   .roll_deg = p[2]},
          .blur_px = 0.8,
          .noise = 1.0 / 255.0,
          .bits = 10,
          .samples = 3};
}

}  // namespace

TEST_CASE("lenses that a model holds, from pictures") {
  for (const KnownLens& known : tests::known_lenses(kWidth)) {
    const std::optional<lens::Lens> truth = as_lens(known);
    if (!truth) continue;
    CAPTURE(known.name);
    const double ratio = std::round(10.0 * truth->focal_px.x() / truth->focal_px.y()) / 10.0;
    const auto [first, last] =
        tests::fit_pictures(pictures_through(*truth),
                            {.pitch_mm = kBoard.pitch_mm},
                            {.model = std::string(lens::model_name(truth->model)),
                             .focal_ratio = ratio,
                             .held_out_folds = 0});
    const tests::FieldError error = plate_error(last.lens, known);
    MESSAGE(
        fmt::format("{:<14} {} points in {} pictures of {}x{}: field error rms {:.4f} px, "
                    "largest {:.4f} px (before measuring again {:.4f}, {:.4f}); fit rms {:.4f} px",
                    known.name,
                    last.num_points,
                    last.num_frames,
                    truth->plate_size.width,
                    truth->plate_size.height,
                    error.rms_px,
                    error.max_px,
                    plate_error(first.lens, known).rms_px,
                    plate_error(first.lens, known).max_px,
                    last.rms_px));
    CHECK(error.rms_px <= kMostFieldErrorPx);
  }
}

TEST_CASE("the moustache lens, that no formula holds, from pictures: the spline field holds it") {
  constexpr std::array<std::array<double, 5>, 8> kPoses = {{{2, 3, 4, 11, -7},
                                                            {24, 2, -8, -15, 9},
                                                            {-22, -5, 15, 6, 12},
                                                            {4, 26, 33, -9, -11},
                                                            {-3, -25, -40, 14, 3},
                                                            {15, -20, 88, -12, 5},
                                                            {-18, 16, 60, 8, -13},
                                                            {10, 12, -70, -5, -9}}};
  for (KnownLens known : tests::known_lenses(kWidth)) {
    if (known.model) continue;
    // The renderer's camera: one focal length, its axis through the plate's middle.
    known.focal_px.y() = known.focal_px.x();
    known.principal_point_px = {0.5 * known.plate_size.width, 0.5 * known.plate_size.height};
    std::vector<Image<float>> pictures;
    for (const auto& pose : kPoses) {
      ChartScene scene =
          wall(known.plate_size.width, known.plate_size.height, known.focal_px.x(), pose);
      scene.radial = known.radial;
      scene.seed = static_cast<std::uint32_t>(500 + pictures.size());
      pictures.push_back(render_chart(scene).image);
    }
    double best = std::numeric_limits<double>::infinity();
    double of_field = std::numeric_limits<double>::infinity();
    for (const std::string_view model :
         {"radial-tangential", "rational", "equidistant", "spline-field"}) {
      const auto fits = tests::fit_pictures(pictures,
                                            {.pitch_mm = kBoard.pitch_mm},
                                            {.model = std::string(model), .held_out_folds = 0});
      const tests::FieldError error = plate_error(fits.last.lens, known);
      double& least = model == "spline-field" ? of_field : best;
      least = std::min(least, error.rms_px);
      MESSAGE(
          fmt::format("moustache, {:<18} {} points in {} pictures: field error rms {:.4f} px, "
                      "largest {:.4f} px; fit rms {:.4f} px",
                      model,
                      fits.last.num_points,
                      fits.last.num_frames,
                      error.rms_px,
                      error.max_px,
                      fits.last.rms_px));
    }
    CHECK(best <= kMostFormulaErrorPx);
    CHECK(of_field <= kMostFieldErrorPx);
  }
}

TEST_CASE("five square-on pictures: straightened, the focal length flagged; fixed, stable") {
  const double focal_px = 690.0;
  std::vector<Image<float>> pictures;
  for (int i = 0; i < 5; ++i) {
    ChartScene scene =
        wall(800, 450, focal_px, {0.0, 0.0, 0.8 * i - 1.5, 9.0 * i - 20.0, 13.0 - 6.0 * i});
    scene.k1 = -0.14;
    scene.k2 = 0.03;
    scene.seed = static_cast<std::uint32_t>(700 + i);
    pictures.push_back(render_chart(scene).image);
  }
  const KnownLens truth{.name = "square-on",
                        .plate_size = {800, 450},
                        .focal_px = {focal_px, focal_px},
                        .principal_point_px = {400.0, 225.0},
                        .model = lens::RadialTangential({-0.14, 0.03, 0.0, 0.0, 0.0})};
  const auto free = tests::fit_pictures(pictures, {.pitch_mm = 25.0}, {.held_out_folds = 0});
  const auto fixed = tests::fit_pictures(
      pictures,
      {.pitch_mm = 25.0},
      {.focal_mode = fit::FocalMode::kFixed, .focal_px = truth.focal_px, .held_out_folds = 0});
  // Of the straight picture, for a wrong focal length is a scale there and not on the plate.
  const tests::FieldError free_error = tests::field_error(free.last.lens, *as_lens(truth));
  const tests::FieldError fixed_error = tests::field_error(fixed.last.lens, *as_lens(truth));
  const double k1 = fixed.last.parameters(4);
  MESSAGE(
      fmt::format("5 square-on pictures of 800x450, {} points: field error rms {:.4f} px, largest "
                  "{:.4f} px; focal length {:.0f} +- {:.0f} px, truth {:.0f}; focal length fixed: "
                  "{:.4f} px, {:.4f} px, k1 {:.4f} +- {:.4f}, truth -0.14",
                  free.last.num_points,
                  free_error.rms_px,
                  free_error.max_px,
                  free.last.lens.focal_px.x(),
                  free.last.sigma(0),
                  focal_px,
                  fixed_error.rms_px,
                  fixed_error.max_px,
                  k1,
                  fixed.last.sigma(4)));
  CHECK(free_error.max_px <= 0.05);
  CHECK(tests::find_warning(free.last.warnings, "focal-assumed"));
  CHECK(fixed_error.max_px <= 0.05);
  CHECK_FALSE(tests::find_warning(fixed.last.warnings, "focal-assumed"));
  CHECK(std::abs(k1 + 0.14) < 4.0 * fixed.last.sigma(4));
}
