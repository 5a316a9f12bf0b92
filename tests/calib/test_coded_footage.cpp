// A lens from frames that a coded chart overfills or leaves on one side, against the rendered
// truth: each frame shows another part of the print, and all parts have the places of the print.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <span>
#include <string>
#include <vector>

#include "calib/calibrate.h"
#include "calib/lens/model.h"
#include "calib/target/detect.h"
#include "tests/support/chart_render.h"

using namespace trueplate;
using tests::ChartScene;

namespace {

constexpr double kFocalPx = 930.0;
constexpr double kK1 = -0.1;
constexpr double kK2 = 0.02;
const target::Chart kChart{.kind = target::ChartKind::kCoded, .pitch_mm = 25.0};

ChartScene scene_of(const tests::ChartPose& pose, std::uint32_t seed) {
  return {.width = 960,
          .height = 640,
          .pattern = tests::Pattern::kCoded,
          .columns = 33,
          .rows = 25,
          .pose = pose,
          .k1 = kK1,
          .k2 = kK2,
          .blur_px = 0.8,
          .noise = 2.0 / 255.0,
          .bits = 10,
          .seed = seed,
          .samples = 3};
}

std::vector<tests::ChartPose> poses() {
  std::vector<tests::ChartPose> result;
  const auto add = [&](double x, double y, double tilt_x, double tilt_y, double roll) {
    result.push_back({.focal_px = kFocalPx,
                      .middle_px = {x, y},
                      .square_px = 45.0 + 4.0 * static_cast<double>(result.size()),
                      .tilt_x_deg = tilt_x,
                      .tilt_y_deg = tilt_y,
                      .roll_deg = roll});
  };
  add(480, 320, 5, -10, 7);
  add(500, 300, -25, 5, 95);
  add(440, 340, 20, 20, 181);
  add(470, 330, -15, -28, 272);
  add(900, 600, 30, 0, 30);
  add(100, 0, 0, 30, 140);
  add(480, 320, -20, 20, 230);
  add(300, 500, 10, -25, 320);
  return result;
}

}  // namespace

TEST_CASE("a lens from a coded chart that runs off every frame") {
  std::vector<DetectedFrame> frames;
  for (const tests::ChartPose& pose : poses()) {
    const auto seed = static_cast<std::uint32_t>(frames.size() + 1);
    const tests::RenderedChart chart = render_chart(scene_of(pose, seed));
    auto detection = target::detect_chart(chart.image.view(), kChart);
    REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
    DetectedFrame frame;
    frame.name = fmt::format("frame.{}.png", seed);
    frame.plate_size = {chart.image.width(), chart.image.height()};
    frame.corners = std::move(detection->corners);
    frame.origin = detection->origin;
    frame.blur_px = detection->blur_px;
    frames.push_back(std::move(frame));
  }
  const auto calibration = calibrate(frames, kChart, {});
  REQUIRE_MESSAGE(calibration.has_value(), calibration.error().message);
  const fit::LensFit& fit = calibration->fit;
  CHECK(fit.num_frames == static_cast<int>(frames.size()));
  CHECK(fit.rms_px < 0.015);
  CHECK(fit.chart.reason.empty());  // the frames share the print's places, so it was tested
  CHECK(fit.chart.as_described());
  const std::span<const double> found = lens::parameters(fit.lens.model);
  std::printf("%d corners, rms %.4f px, focal length %.3f x %.3f px, k1 %.5f, k2 %.4f\n",
              fit.num_points,
              fit.rms_px,
              fit.lens.focal_px.x(),
              fit.lens.focal_px.y(),
              found[0],
              found[1]);
  CHECK(std::abs(fit.lens.focal_px.x() - kFocalPx) < 0.05);
  CHECK(std::abs(fit.lens.focal_px.y() - kFocalPx) < 0.05);
  CHECK((fit.lens.principal_point_px - Point2d(480.0, 320.0)).norm() < 0.05);
  CHECK(std::abs(found[0] - kK1) < 5e-4);
  CHECK(std::abs(found[1] - kK2) < 3e-3);
}
