// The lens from pictures of charts that fill the frame and run off its edges, their number of cells
// not given: detect, fit, measure again, fit. Against the lens the pictures were rendered with
// (tests/support/chart_render.h, which shares nothing with the program).

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <vector>

#include "tests/calib/picture_fit.h"
#include "tests/support/chart_render.h"
#include "tests/support/field.h"

using namespace trueplate;
using tests::ChartScene;
using tests::Pattern;

namespace {

constexpr double kPitchMm = 20.0;
constexpr double kMostFieldErrorPx = 0.01;  // rms

struct Kind {
  target::ChartKind chart;
  Pattern pattern;
  double mark;      // share of the pitch
  double pitch_px;  // of a chart that faces the camera
};

constexpr std::array<Kind, 4> kKinds = {{
    {target::ChartKind::kCheckerboard, Pattern::kCheckerboard, 0.0, 52.0},
    {target::ChartKind::kLines, Pattern::kLines, 0.1, 52.0},
    {target::ChartKind::kDots, Pattern::kDots, 0.5, 52.0},
    {target::ChartKind::kDotsStaggered, Pattern::kDotsStaggered, 0.4, 80.0},
}};

// Tilts and roll, degrees, and how far the chart's middle is from the plate's, px. The chart covers
// the whole plate in all of them.
constexpr std::array<std::array<double, 5>, 6> kPoses = {{{2, 3, 4, 11, -7},
                                                          {24, 2, -8, -15, 9},
                                                          {-22, -5, 15, 6, 12},
                                                          {4, 26, 33, -9, -11},
                                                          {-3, -25, -40, 14, 3},
                                                          {15, -20, 88, -12, 5}}};

ChartScene scene_of(const Kind& kind, std::size_t pose) {
  const auto& p = kPoses[pose];
  const bool staggered = kind.pattern == Pattern::kDotsStaggered;
  return {.width = 800,
          .height = 450,
          .pattern = kind.pattern,
          .columns = 41,
          .rows = staggered ? 82 : 41,
          .mark = kind.mark,
          .pose = {.focal_px = 690.0,
                   .middle_px = {400.0 + p[3], 225.0 + p[4]},
                   .square_px = kind.pitch_px,
                   .tilt_x_deg = p[0],
                   .tilt_y_deg = p[1],
                   .roll_deg = p[2]},
          .k1 = -0.14,
          .k2 = 0.03,
          .blur_px = 0.8,
          .noise = 1.0 / 255.0,
          .bits = 10,
          .seed = static_cast<std::uint32_t>(40 + pose),
          .samples = 3};
}

lens::Lens truth_of(const ChartScene& scene) {
  lens::Lens lens;
  lens.plate_size = {scene.width, scene.height};
  lens.focal_px = {scene.pose.focal_px, scene.pose.focal_px};
  lens.principal_point_px = {0.5 * scene.width, 0.5 * scene.height};
  lens.model = lens::RadialTangential({scene.k1, scene.k2, 0.0, 0.0, 0.0});
  return lens;
}

}  // namespace

TEST_CASE("charts that run off all edges, their number of cells not given") {
  for (const Kind& kind : kKinds) {
    const target::Chart chart{.kind = kind.chart, .pitch_mm = kPitchMm};
    const std::string name(target::chart_kind_name(kind.chart));
    CAPTURE(name);
    std::vector<Image<float>> pictures;
    for (std::size_t i = 0; i < kPoses.size(); ++i) {
      pictures.push_back(render_chart(scene_of(kind, i)).image);
    }
    const auto [first, last] = tests::fit_pictures(pictures, chart, {});
    const lens::Lens truth = truth_of(scene_of(kind, 0));
    const tests::FieldError before = tests::field_error(first.lens, truth);
    const tests::FieldError after = tests::field_error(last.lens, truth);
    MESSAGE(fmt::format(
        "{:<15} {} points in {} frames; field error rms {:.4f} px (max {:.4f}), before measuring "
        "again {:.4f} ({:.4f}); fit rms {:.4f} px, before {:.4f}; focal length {:.3f} of {:.3f} px",
        name,
        last.num_points,
        last.num_frames,
        after.rms_px,
        after.max_px,
        before.rms_px,
        before.max_px,
        last.rms_px,
        first.rms_px,
        last.lens.focal_px.x(),
        truth.focal_px.x()));
    CHECK(last.num_frames == static_cast<int>(kPoses.size()));
    CHECK(after.rms_px <= kMostFieldErrorPx);
  }
}
