// Charts measured again with the true lens and pose, against the truth of rendered pictures and
// beside the first measurement of the same pictures.

#include "calib/target/measure_again.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "calib/target/detect.h"
#include "tests/calib/target/mark_scores.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::Point2d;
using namespace trueplate::target;
using namespace trueplate::tests;

namespace {

constexpr double kPitchMm = 20.0;

ChartKind kind_of(Pattern pattern) {
  switch (pattern) {
    case Pattern::kLines:
      return ChartKind::kLines;
    case Pattern::kDots:
      return ChartKind::kDots;
    case Pattern::kDotsStaggered:
      return ChartKind::kDotsStaggered;
    case Pattern::kCoded:
      return ChartKind::kCoded;
    case Pattern::kCheckerboard:
      break;
  }
  return ChartKind::kCheckerboard;
}

// Errors of the same points before and after.
struct Both {
  MarkScore first;
  MarkScore again;
};

// The true map, for corners whose origin is scene's own.
ImageFromChart truth_of(const ChartScene& scene) {
  return [scene](const Point2d& p_mm) -> std::optional<Point2d> {
    return image_of(scene, p_mm / kPitchMm);
  };
}

// Turns detected chart positions into the scene's: by the nearest true point.
std::vector<Corner> with_true_indices(std::vector<Corner> corners,
                                      const ChartScene& scene,
                                      const RenderedChart& chart) {
  for (Corner& corner : corners) {
    std::size_t best = 0;
    for (std::size_t i = 1; i < chart.corners_px.size(); ++i)
      if ((chart.corners_px[i] - corner.p_plate_px).norm() <
          (chart.corners_px[best] - corner.p_plate_px).norm())
        best = i;
    const auto [u, v] = half_index(scene, static_cast<int>(best));
    corner.p_chart_mm = {0.5 * u * kPitchMm, 0.5 * v * kPitchMm, 0.0};
  }
  return corners;
}

Both measure(const char* name, const ChartScene& scene) {
  const RenderedChart chart = render_chart(scene);
  const Chart kind{.kind = kind_of(scene.pattern), .pitch_mm = kPitchMm};
  const auto detection = detect_chart(chart.image.view(), kind);
  REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
  const std::vector<Corner> corners = with_true_indices(detection->corners, scene, chart);
  const auto again = measure_again(chart.image.view(), kind, corners, truth_of(scene));
  REQUIRE(again.has_value());
  REQUIRE(again->size() == corners.size());
  Both both;
  std::vector<Corner> measured;
  for (std::size_t i = 0; i < corners.size(); ++i) {
    if (!(*again)[i]) continue;
    CHECK((*again)[i]->p_chart_mm == corners[i].p_chart_mm);
    measured.push_back(*(*again)[i]);
  }
  both.first = score_marks(corners, scene, chart, kPitchMm, 8.0 + 2.0 * scene.blur_px);
  both.again = score_marks(measured, scene, chart, kPitchMm, 8.0 + 2.0 * scene.blur_px);
  std::printf("%s\n", name);
  print("  found", both.first);
  print("  again", both.again);
  return both;
}

ChartScene scene_of(Pattern pattern, double blur_px, double noise) {
  return {.width = 960,
          .height = 640,
          .pattern = pattern,
          .columns = 12,
          .rows = 9,
          .mark = pattern == Pattern::kLines ? 0.12 : 0.5,
          .pose = {.focal_px = 800.0,
                   .middle_px = {483.3, 318.6},
                   .square_px = 58.0,
                   .tilt_x_deg = 24.0,
                   .tilt_y_deg = -28.0,
                   .roll_deg = 9.0},
          .blur_px = blur_px,
          .noise = noise / 255.0,
          .seed = 5,
          .samples = 3};
}

constexpr std::array kPatterns = {Pattern::kCheckerboard,
                                  Pattern::kCoded,
                                  Pattern::kLines,
                                  Pattern::kDots,
                                  Pattern::kDotsStaggered};

}  // namespace

TEST_CASE("with lens and pose known, distortion and perspective do not bias a point") {
  for (const Pattern pattern : kPatterns) {
    for (const double blur : {0.7, 3.0}) {
      for (const double k1 : {-0.3, 0.1}) {
        if (k1 > 0.0 && blur != 0.7) continue;
        ChartScene scene = scene_of(pattern, blur, 0.0);
        scene.k1 = k1;
        if (pattern == Pattern::kDotsStaggered) scene.pose.square_px = 90.0;
        const std::string name = std::string(chart_kind_name(kind_of(pattern))) + " blur " +
                                 std::to_string(blur) + " k1 " + std::to_string(k1);
        const Both both = measure(name.c_str(), scene);
        CHECK(both.again.total >= 0.99 * both.first.total);
        CHECK(both.again.wrong == 0);
        // A blur this strong reaches the neighbours and the ends of the lines.
        CHECK(both.again.bias() <= (blur < 3.0 ? 0.003 : 0.01));
        CHECK(both.again.rms() <= both.first.rms() + 0.001);
        if (blur < 3.0) CHECK(both.again.rms() <= 0.003);
      }
    }
  }
}

TEST_CASE("tilted by 50 degrees") {
  for (const Pattern pattern : kPatterns) {
    ChartScene scene = scene_of(pattern, 1.0, 0.0);
    scene.k1 = -0.15;
    scene.pose.tilt_x_deg = 5.0;
    scene.pose.tilt_y_deg = 50.0;
    scene.pose.square_px = pattern == Pattern::kDotsStaggered ? 90.0 : 64.0;
    const Both both = measure(std::string(chart_kind_name(kind_of(pattern))).c_str(), scene);
    CHECK(both.again.bias() <= 0.003);
  }
}

TEST_CASE("points that are not there, and bad input") {
  const ChartScene scene = scene_of(Pattern::kCheckerboard, 1.0, 1.0);
  const RenderedChart chart = render_chart(scene);
  const Chart kind{.kind = ChartKind::kCheckerboard, .pitch_mm = kPitchMm};
  std::vector<Corner> corners(5);
  for (std::size_t i = 0; i < corners.size(); ++i) {
    corners[i].p_chart_mm = {kPitchMm * static_cast<double>(2 + i), 2.0 * kPitchMm, 0.0};
    corners[i].p_plate_px = image_of(scene, corners[i].p_chart_mm.head<2>() / kPitchMm);
  }
  corners[1].p_chart_mm.x() = 500.0 * kPitchMm;  // far outside the frame
  corners[2].p_chart_mm.x() = std::numeric_limits<double>::quiet_NaN();
  corners[3].p_plate_px += Point2d(9.0, 5.0);  // was wrong the first time
  const auto again = measure_again(chart.image.view(), kind, corners, truth_of(scene));
  REQUIRE(again.has_value());
  CHECK((*again)[0].has_value());
  CHECK_FALSE((*again)[1].has_value());
  CHECK_FALSE((*again)[2].has_value());
  REQUIRE((*again)[3].has_value());
  const Point2d truth = image_of(scene, corners[3].p_chart_mm.head<2>() / kPitchMm);
  CHECK(((*again)[3]->p_plate_px - truth).norm() < 0.1);

  // A lens without an image of anything, one that is wrong by half a square, and one of NaN.
  const auto none =
      measure_again(chart.image.view(), kind, corners, [](const Point2d&) { return std::nullopt; });
  REQUIRE(none.has_value());
  for (const auto& corner : *none) CHECK_FALSE(corner.has_value());
  const auto wrong = measure_again(chart.image.view(), kind, corners, [&](const Point2d& p_mm) {
    return std::optional(Point2d(image_of(scene, p_mm / kPitchMm) + Point2d(29.0, 0.0)));
  });
  REQUIRE(wrong.has_value());
  for (const auto& corner : *wrong) CHECK_FALSE(corner.has_value());
  const auto nan = measure_again(chart.image.view(), kind, corners, [](const Point2d&) {
    return std::optional(Point2d(std::numeric_limits<double>::quiet_NaN(), 0.0));
  });
  REQUIRE(nan.has_value());
  for (const auto& corner : *nan) CHECK_FALSE(corner.has_value());
  CHECK(measure_again(chart.image.view(), kind, {}, truth_of(scene)).has_value());

  const Image<float> colour(64, 64, 3);
  const auto refused = measure_again(colour.view(), kind, corners, truth_of(scene));
  REQUIRE_FALSE(refused.has_value());
  CHECK(refused.error().code == ErrorCode::kInvalidInput);
}
