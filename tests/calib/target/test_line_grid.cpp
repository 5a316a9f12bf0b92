// Grids of lines against the truth of rendered pictures.

#include "calib/target/line_grid.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>

#include "calib/target/dot_grid.h"
#include "tests/calib/target/mark_scores.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::Point2d;
using namespace trueplate::target;
using namespace trueplate::tests;

namespace {

const Chart kFree{.kind = ChartKind::kLines, .pitch_mm = 20.0};

ChartScene scene_of(double width, double blur_px, double noise) {
  return {.width = 640,
          .height = 480,
          .pattern = Pattern::kLines,
          .columns = 10,
          .rows = 8,
          .mark = width,
          .pose = {.focal_px = 620.0,
                   .middle_px = {326.3, 236.6},
                   .square_px = 46.0,
                   .tilt_x_deg = 18.0,
                   .tilt_y_deg = -14.0,
                   .roll_deg = 9.0},
          .blur_px = blur_px,
          .noise = noise / 255.0,
          .bits = 8,
          .seed = 12,
          .samples = 4};
}

MarkScore detect(const char* name, const ChartScene& scene) {
  const RenderedChart chart = render_chart(scene);
  const auto detection = detect_lines(chart.image.view(), kFree);
  MarkScore score;
  if (detection) {
    score = score_marks(detection->corners, scene, chart, 20.0, 8.0 + 2.0 * scene.blur_px);
  } else {
    std::printf("%s: %s\n", name, detection.error().message.c_str());
  }
  print(name, score);
  return score;
}

void check(const MarkScore& score, double rms_px) {
  CHECK(score.share() >= 0.99);
  CHECK(score.wrong == 0);
  CHECK(score.rms() <= rms_px);
  CHECK(score.worst <= 0.15);
}

}  // namespace

TEST_CASE("crossings in ordinary pictures, without their number") {
  for (const double width : {0.03, 0.08, 0.2}) {
    MarkScore score = detect(width == 0.03 ? "1.4 px lines, blur 1, noise 2" : "blur 1, noise 2",
                             scene_of(width, 1.0, 2.0));
    check(score, width == 0.03 ? 0.03 : 0.012);
    CHECK(score.bias() <= 0.003);
    CHECK(score.chi2() > 0.6);
    CHECK(score.chi2() < 1.6);
    score = detect("blur 0.7, noise 1", scene_of(width, 0.7, 1.0));
    check(score, 0.01);
    CHECK(score.bias() <= 0.003);
  }
}

TEST_CASE("strong perspective and distortion do not move the crossings") {
  ChartScene scene = scene_of(0.12, 1.0, 1.0);
  scene.columns = 22;
  scene.rows = 22;
  scene.pose.tilt_x_deg = 50.0;
  scene.pose.tilt_y_deg = 5.0;
  scene.pose.square_px = 40.0;
  MarkScore score = detect("tilt 50, runs off", scene);
  check(score, 0.02);
  // Far rows are 12 px apart, and some crossings are cut by the frame's border.
  CHECK(score.bias() <= 0.006);
  scene = scene_of(0.1, 0.8, 1.0);
  scene.columns = 30;
  scene.rows = 24;
  scene.pose.square_px = 38.0;
  scene.pose.focal_px = 420.0;
  scene.k1 = -0.2;
  scene.k2 = 0.02;
  score = detect("wide lens, k1 -0.2, runs off", scene);
  check(score, 0.02);
  CHECK(score.bias() <= 0.003);
}

TEST_CASE("squeezed, rolled, with holes, with the chart running off") {
  ChartScene scene = scene_of(0.1, 1.0, 2.0);
  scene.squeeze = 2.0;
  scene.pose.roll_deg = 37.0;
  scene.pose.square_px = 60.0;
  scene.columns = 30;
  scene.rows = 20;
  scene.covers = {{200.0, 150.0, 90.0, 70.0, 0.6}, {420.0, 300.0, 60.0, 180.0, 0.2}};
  check(detect("squeeze 2, roll 37, two holes", scene), 0.03);
}

TEST_CASE("blur, noise and light") {
  check(detect("noise 5", scene_of(0.08, 1.0, 5.0)), 0.03);
  check(detect("blur 3, noise 2", scene_of(0.1, 3.0, 2.0)), 0.06);
  check(detect("blur 0.4", scene_of(0.06, 0.4, 1.0)), 0.01);
  ChartScene scene = scene_of(0.08, 0.7, 2.0);
  scene.corner_blur_px = 2.5;
  scene.columns = 20;
  scene.rows = 15;
  scene.pose.square_px = 38.0;
  check(detect("blur 0.7 in the middle, 2.5 in the corners", scene), 0.04);
  scene = scene_of(0.08, 1.0, 1.0);
  scene.vignetting = 0.75;
  scene.columns = 20;
  scene.rows = 15;
  scene.pose.square_px = 38.0;
  check(detect("two stops of vignetting", scene), 0.04);
  scene = scene_of(0.08, 1.0, 2.0);
  std::swap(scene.dark, scene.light);
  check(detect("light lines on dark", scene), 0.015);
}

TEST_CASE("a known grid is checked") {
  const ChartScene scene = scene_of(0.08, 1.0, 1.0);
  const RenderedChart picture = render_chart(scene);
  Chart chart = kFree;
  chart.columns = scene.columns;
  chart.rows = scene.rows;
  auto detection = detect_lines(picture.image.view(), chart);
  REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
  REQUIRE(detection->corners.size() == picture.corners_px.size());
  for (std::size_t i = 0; i < detection->corners.size(); ++i)
    CHECK((detection->corners[i].p_plate_px - picture.corners_px[i]).norm() < 0.05);
  chart.rows -= 1;
  detection = detect_lines(picture.image.view(), chart);
  REQUIRE(!detection);
  CHECK(detection.error().message.find("check --grid") != std::string::npos);
}

TEST_CASE("range, NaN and the other charts") {
  ChartScene scene = scene_of(0.1, 1.0, 1.0);
  RenderedChart picture = render_chart(scene);
  const auto plain = detect_lines(picture.image.view(), kFree);
  REQUIRE(plain);
  Image<float> hdr = picture.image.clone();
  for (std::size_t i = 0; i < hdr.size(); ++i) hdr.data()[i] = 40.0F * hdr.data()[i] - 7.0F;
  const auto bright = detect_lines(hdr.view(), kFree);
  REQUIRE(bright);
  REQUIRE(bright->corners.size() == plain->corners.size());
  for (std::size_t i = 0; i < plain->corners.size(); ++i)
    CHECK((bright->corners[i].p_plate_px - plain->corners[i].p_plate_px).norm() < 1e-3);
  for (std::size_t i = 0; i < hdr.size(); i += 23)
    hdr.data()[i] = std::numeric_limits<float>::quiet_NaN();
  const auto holed = detect_lines(hdr.view(), kFree);
  REQUIRE(holed);
  CHECK(holed->corners.size() == plain->corners.size());
  hdr.fill(std::numeric_limits<float>::quiet_NaN());
  CHECK(!detect_lines(hdr.view(), kFree));

  for (const Pattern pattern : {Pattern::kCheckerboard, Pattern::kDots, Pattern::kDotsStaggered}) {
    ChartScene other = scene;
    other.pattern = pattern;
    other.mark = 0.45;
    const auto wrong = detect_lines(render_chart(other).image.view(), kFree);
    REQUIRE(!wrong);
    CHECK(wrong.error().code == ErrorCode::kNoChart);
  }
}
