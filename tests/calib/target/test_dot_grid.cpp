// Grids of dots against the truth of rendered pictures, beside cv::findCirclesGrid on cv::
// SimpleBlobDetector (OpenCV 4.6) with the known number of dots, where all of them are in sight.

#include "calib/target/dot_grid.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <opencv2/features2d.hpp>
#include <optional>
#include <utility>

#include "calib/target/line_grid.h"
#include "tests/calib/target/mark_scores.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::Point2d;
using namespace trueplate::target;
using namespace trueplate::tests;

namespace {

ChartScene scene_of(Pattern pattern, double blur_px, double noise) {
  return {.width = 640,
          .height = 480,
          .pattern = pattern,
          .columns = 9,
          .rows = 7,
          .mark = 0.45,
          .pose = {.focal_px = 620.0,
                   .middle_px = {326.3, 236.6},
                   .square_px = 46.0,
                   .tilt_x_deg = 18.0,
                   .tilt_y_deg = -14.0,
                   .roll_deg = 9.0},
          .blur_px = blur_px,
          .noise = noise / 255.0,
          .bits = 8,
          .seed = 11,
          .samples = 3};
}

Chart chart_of(const ChartScene& scene, bool known) {
  Chart chart{.kind = scene.pattern == Pattern::kDotsStaggered ? ChartKind::kDotsStaggered
                                                               : ChartKind::kDots,
              .pitch_mm = 20.0};
  if (known) {
    chart.columns = scene.columns;
    chart.rows = scene.rows;
  }
  return chart;
}

// Dots whose edge is out of the frame or behind something are not visible.
double margin_of(const ChartScene& scene) {
  return 0.5 * scene.mark * scene.pose.square_px + 3.0 * scene.blur_px + 3.0;
}

MarkScore detect(const char* name, const ChartScene& scene) {
  const RenderedChart chart = render_chart(scene);
  const auto detection = detect_dots(chart.image.view(), chart_of(scene, false));
  MarkScore score;
  if (detection) {
    score = score_marks(detection->corners, scene, chart, 20.0, margin_of(scene));
  } else {
    std::printf("%s: %s\n", name, detection.error().message.c_str());
  }
  print(name, score);
  return score;
}

// The library's centres of gravity; nullopt where it does not find the grid.
std::optional<MarkScore> library(const ChartScene& scene) {
  const RenderedChart chart = render_chart(scene);
  cv::Mat image(scene.height, scene.width, CV_8U);
  for (int y = 0; y < scene.height; ++y)
    for (int x = 0; x < scene.width; ++x)
      image.at<unsigned char>(y, x) =
          cv::saturate_cast<unsigned char>(255.0F * chart.image.at(x, y));
  cv::SimpleBlobDetector::Params params;
  params.minArea = 10;
  params.maxArea = 20000;
  std::vector<cv::Point2f> points;
  const int flags =
      scene.pattern == Pattern::kDots ? cv::CALIB_CB_SYMMETRIC_GRID : cv::CALIB_CB_ASYMMETRIC_GRID;
  if (!cv::findCirclesGrid(image,
                           {scene.columns, scene.rows},
                           points,
                           flags,
                           cv::SimpleBlobDetector::create(params)))
    return std::nullopt;
  MarkScore score;
  for (const cv::Point2f& point : points) {
    const Point2d p(point.x + 0.5, point.y + 0.5);
    Point2d nearest = chart.corners_px.front();
    for (const Point2d& t : chart.corners_px)
      if ((t - p).norm() < (nearest - p).norm()) nearest = t;
    ++score.total;
    score.sum2 += (p - nearest).squaredNorm();
    score.worst = std::max(score.worst, (p - nearest).norm());
    score.sum += p - nearest;
  }
  std::printf("%-46s rms %.4f worst %.3f bias %.4f\n",
              "  cv::findCirclesGrid",
              score.rms(),
              score.worst,
              score.bias());
  return score;
}

void check(const MarkScore& score, double rms_px) {
  CHECK(score.share() >= 0.99);
  CHECK(score.wrong == 0);
  CHECK(score.rms() <= rms_px);
  CHECK(score.worst <= 0.15);
}

// A dot that something touches may be off; then its sigma says so.
void check_beside_holes(const MarkScore& score, double rms_px) {
  CHECK(score.share() >= 0.99);
  CHECK(score.wrong == 0);
  CHECK(score.rms() <= rms_px);
  CHECK(score.chi2() < 2.0);
}

}  // namespace

TEST_CASE("dots in ordinary pictures, without their number") {
  for (const Pattern pattern : {Pattern::kDots, Pattern::kDotsStaggered}) {
    ChartScene scene = scene_of(pattern, 1.0, 2.0);
    if (pattern == Pattern::kDotsStaggered) scene.pose.square_px = 62.0;
    MarkScore score = detect("blur 1, noise 2", scene);
    check(score, 0.012);
    CHECK(score.bias() <= 0.003);
    CHECK(score.chi2() > 0.6);
    CHECK(score.chi2() < 1.6);
    auto other = library(scene);
    if (other) CHECK(score.rms() < 0.5 * other->rms());
    scene.blur_px = 0.7;
    scene.noise = 1.0 / 255.0;
    score = detect("blur 0.7, noise 1", scene);
    check(score, 0.006);
    CHECK(score.bias() <= 0.003);
    other = library(scene);
    if (other) CHECK(score.rms() < 0.5 * other->rms());
  }
}

TEST_CASE("strong perspective and distortion do not move the dots") {
  ChartScene scene = scene_of(Pattern::kDots, 1.0, 1.0);
  scene.columns = 22;
  scene.rows = 22;
  scene.mark = 0.6;
  scene.pose.tilt_x_deg = 50.0;
  scene.pose.tilt_y_deg = 5.0;
  scene.pose.square_px = 40.0;
  MarkScore score = detect("tilt 50, runs off, dots 0.6", scene);
  check(score, 0.02);
  CHECK(score.bias() <= 0.003);
  scene = scene_of(Pattern::kDots, 0.8, 1.0);
  scene.columns = 30;
  scene.rows = 24;
  scene.mark = 0.6;
  scene.pose.square_px = 38.0;
  scene.pose.focal_px = 420.0;
  scene.k1 = -0.2;
  scene.k2 = 0.02;
  score = detect("wide lens, k1 -0.2, runs off", scene);
  check(score, 0.02);
  CHECK(score.bias() <= 0.003);
}

TEST_CASE("squeezed, rolled, with holes, with the chart running off") {
  ChartScene scene = scene_of(Pattern::kDots, 1.0, 2.0);
  scene.squeeze = 2.0;
  scene.pose.roll_deg = 37.0;
  scene.pose.square_px = 50.0;
  scene.columns = 30;
  scene.rows = 20;
  scene.covers = {{200.0, 150.0, 90.0, 70.0, 0.6}, {420.0, 300.0, 60.0, 180.0, 0.2}};
  check_beside_holes(detect("squeeze 2, roll 37, two holes", scene), 0.03);
  scene = scene_of(Pattern::kDotsStaggered, 1.0, 2.0);
  scene.columns = 20;
  scene.rows = 30;
  scene.pose.square_px = 60.0;
  scene.pose.roll_deg = -63.0;
  scene.covers = {{300.0, 200.0, 80.0, 80.0, 0.5}};
  check_beside_holes(detect("staggered, roll -63, a hole", scene), 0.06);
}

TEST_CASE("blur, noise and light") {
  ChartScene scene = scene_of(Pattern::kDots, 1.0, 5.0);
  check(detect("noise 5", scene), 0.03);
  scene = scene_of(Pattern::kDots, 3.0, 2.0);
  check(detect("blur 3", scene), 0.06);
  scene = scene_of(Pattern::kDots, 0.4, 1.0);
  check(detect("blur 0.4", scene), 0.01);
  scene = scene_of(Pattern::kDots, 0.7, 2.0);
  scene.corner_blur_px = 2.5;
  scene.columns = 20;
  scene.rows = 15;
  scene.pose.square_px = 38.0;
  check(detect("blur 0.7 in the middle, 2.5 in the corners", scene), 0.04);
  scene = scene_of(Pattern::kDots, 1.0, 1.0);
  scene.vignetting = 0.75;
  scene.columns = 20;
  scene.rows = 15;
  scene.pose.square_px = 38.0;
  check(detect("two stops of vignetting", scene), 0.04);
  scene = scene_of(Pattern::kDots, 1.0, 2.0);
  std::swap(scene.dark, scene.light);
  check(detect("light dots on dark", scene), 0.012);
  scene = scene_of(Pattern::kDots, 0.7, 1.0);
  scene.mark = 0.3;
  scene.columns = 24;
  scene.rows = 18;
  scene.pose.square_px = 24.0;
  check(detect("small dots, 7 px", scene), 0.02);
}

TEST_CASE("a known grid is checked; its rows and columns are the chart's") {
  for (const Pattern pattern : {Pattern::kDots, Pattern::kDotsStaggered}) {
    ChartScene scene = scene_of(pattern, 1.0, 1.0);
    if (pattern == Pattern::kDotsStaggered) scene.pose.square_px = 62.0;
    const RenderedChart picture = render_chart(scene);
    Chart chart = chart_of(scene, true);
    auto detection = detect_dots(picture.image.view(), chart);
    REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
    CHECK(detection->corners.size() == picture.corners_px.size());
    // Seven rows: only one turn of the staggered chart begins with the first one.
    const bool staggered = pattern == Pattern::kDotsStaggered;
    CHECK((detection->origin == Origin::kMarked) == staggered);
    for (std::size_t i = 0; i < detection->corners.size(); ++i) {
      const auto [u, v] = half_index(scene, static_cast<int>(i));
      CHECK(detection->corners[i].p_chart_mm.x() == doctest::Approx(10.0 * u));
      CHECK(detection->corners[i].p_chart_mm.y() == doctest::Approx(10.0 * v));
      CHECK((detection->corners[i].p_plate_px - picture.corners_px[i]).norm() < 0.05);
    }
    chart.columns -= 1;
    detection = detect_dots(picture.image.view(), chart);
    REQUIRE(!detection);
    CHECK(detection.error().message.find("check --grid") != std::string::npos);
    chart.columns += 2;
    detection = detect_dots(picture.image.view(), chart);
    REQUIRE(!detection);
    CHECK(detection.error().code == ErrorCode::kNoChart);
  }
}

TEST_CASE("range, NaN and the other charts") {
  ChartScene scene = scene_of(Pattern::kDots, 1.0, 1.0);
  RenderedChart picture = render_chart(scene);
  const auto plain = detect_dots(picture.image.view(), chart_of(scene, false));
  REQUIRE(plain);
  Image<float> hdr = picture.image.clone();
  for (std::size_t i = 0; i < hdr.size(); ++i) hdr.data()[i] = 40.0F * hdr.data()[i] - 7.0F;
  const auto bright = detect_dots(hdr.view(), chart_of(scene, false));
  REQUIRE(bright);
  REQUIRE(bright->corners.size() == plain->corners.size());
  for (std::size_t i = 0; i < plain->corners.size(); ++i)
    CHECK((bright->corners[i].p_plate_px - plain->corners[i].p_plate_px).norm() < 1e-3);
  for (std::size_t i = 0; i < hdr.size(); i += 23)
    hdr.data()[i] = std::numeric_limits<float>::quiet_NaN();
  const auto holed = detect_dots(hdr.view(), chart_of(scene, false));
  REQUIRE(holed);
  CHECK(holed->corners.size() == plain->corners.size());
  hdr.fill(std::numeric_limits<float>::quiet_NaN());
  CHECK(!detect_dots(hdr.view(), chart_of(scene, false)));

  const Chart lines{.kind = ChartKind::kLines, .pitch_mm = 20.0};
  CHECK(!detect_lines(picture.image.view(), lines));
  for (const Pattern pattern : {Pattern::kCheckerboard, Pattern::kLines}) {
    ChartScene other = scene;
    other.pattern = pattern;
    other.mark = 0.1;
    const auto wrong = detect_dots(render_chart(other).image.view(), chart_of(scene, false));
    REQUIRE(!wrong);
    CHECK(wrong.error().code == ErrorCode::kNoChart);
  }
}

TEST_CASE("the diagonals of a strongly tilted grid are not taken for its rows") {
  // All nodes of a sheared lattice are dots, too; its columns and rows are wrong throughout.
  for (const Pattern pattern : {Pattern::kDots, Pattern::kDotsStaggered}) {
    for (const double roll : {20.0, 70.0}) {
      for (const auto& [tilt_x, tilt_y] : {std::pair(35.0, 40.0), std::pair(0.0, 50.0)}) {
        ChartScene scene = scene_of(pattern, 1.0, 1.0);
        scene.columns = scene.rows = 40;
        scene.pose.square_px = pattern == Pattern::kDots ? 40.0 : 56.0;
        scene.pose.tilt_x_deg = tilt_x;
        scene.pose.tilt_y_deg = tilt_y;
        scene.pose.roll_deg = roll;
        const MarkScore score = detect("strongly tilted", scene);
        CHECK(score.total >= 60);
        CHECK(score.wrong == 0);
      }
    }
  }
}

TEST_CASE("a dot that something half hides is left out") {
  for (const Pattern pattern : {Pattern::kDots, Pattern::kDotsStaggered}) {
    ChartScene scene = scene_of(pattern, 0.8, 1.0);
    scene.columns = 15;
    scene.rows = 15;
    if (pattern == Pattern::kDotsStaggered) scene.pose.square_px = 64.0;
    scene.covers = {{.x = 210.0, .y = 0.0, .width = 9.0, .height = 480.0, .value = 0.35},
                    {.x = 0.0, .y = 330.0, .width = 640.0, .height = 12.0, .value = 0.6}};
    const MarkScore score = detect("two bars", scene);
    CHECK(score.total >= 60);
    CHECK(score.wrong == 0);
    CHECK(score.worst <= 0.1);
  }
}
