// Checkerboards of unknown grid that run off the frame, under the conditions of a set, against the
// rendered truth; beside findChessboardCornersSB (OpenCV 4.6) with CALIB_CB_LARGER, the library's
// way to find a board of unknown size.

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <functional>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgproc.hpp>
#include <random>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "calib/target/detect.h"
#include "tests/support/chart_render.h"

using trueplate::Image;
using trueplate::ImageView;
using trueplate::Point2d;
using trueplate::target::Chart;
using trueplate::target::detect_chart;
using trueplate::target::Detection;
using namespace trueplate::tests;

namespace {

const Chart kAny{.pitch_mm = 1.0};

struct Score {
  int visible = 0;  // corners on the plate, kVisiblePx from its border, that nothing covers
  int found = 0;    // of these
  int extra = 0;    // found besides, nearer to the border or half covered
  int wrong = 0;  // farther than 0.3 of a square from any truth, or of an index unlike the others'
  int dropped = 0;
  double squares = 0.0;
  double worst = 0.0;
  Point2d sum = {0.0, 0.0};

  [[nodiscard]] double share() const { return static_cast<double>(found) / visible; }
  [[nodiscard]] double rms() const { return std::sqrt(squares / std::max(1, found + extra)); }
  [[nodiscard]] double bias() const { return sum.norm() / std::max(1, found + extra); }
};

using Covered = std::function<bool(const Point2d&)>;
constexpr double kVisiblePx = 5.0;

bool on_plate(const ChartScene& scene, const Point2d& p, double margin) {
  return p.x() >= margin && p.y() >= margin && p.x() <= scene.width - margin &&
         p.y() <= scene.height - margin;
}

// Column and row of the truth nearest to p, and its distance; a square's size there.
struct Nearest {
  int index = 0;
  double distance = 0.0;
};
Nearest nearest(const RenderedChart& chart, const Point2d& p) {
  Nearest best{0, std::numeric_limits<double>::infinity()};
  for (std::size_t i = 0; i < chart.corners_px.size(); ++i) {
    const double distance = (chart.corners_px[i] - p).norm();
    if (distance < best.distance) best = {static_cast<int>(i), distance};
  }
  return best;
}

// Compares with the truth. Which corner of the print is the first is open, and which way x points:
// the one turn and shift that most corners agree on is the frame's.
Score score(const Detection& detection,
            const ChartScene& scene,
            const RenderedChart& chart,
            const Covered& covered) {
  Score result;
  result.dropped = detection.num_dropped_corners;
  const auto visible = [&](const Point2d& p) {
    return on_plate(scene, p, kVisiblePx) && !(covered && covered(p));
  };
  for (const Point2d& p : chart.corners_px)
    if (visible(p)) ++result.visible;
  std::array<std::vector<std::pair<int, int>>, 4> shifts;
  for (const auto& corner : detection.corners) {
    const Nearest truth = nearest(chart, corner.p_plate_px);
    const auto n = static_cast<std::size_t>(truth.index);
    const Point2d error = corner.p_plate_px - chart.corners_px[n];
    const int column = truth.index % scene.columns;
    const int row = truth.index / scene.columns;
    int c = static_cast<int>(std::lround(corner.p_chart_mm.x()));
    int r = static_cast<int>(std::lround(corner.p_chart_mm.y()));
    for (auto& turn : shifts) {
      turn.emplace_back(column - c, row - r);
      c = std::exchange(r, -c);
    }
    visible(chart.corners_px[n]) ? ++result.found : ++result.extra;
    result.squares += error.squaredNorm();
    result.sum += error;
    result.worst = std::max(result.worst, truth.distance);
  }
  int agree = 0;
  for (const auto& turn : shifts)
    for (const auto& shift : turn)
      agree = std::max(agree, static_cast<int>(std::count(turn.begin(), turn.end(), shift)));
  result.wrong = static_cast<int>(detection.corners.size()) - agree;
  return result;
}

// Corners of the truth within half a pixel of one that the library finds.
int library_found(const Image<float>& image, const ChartScene& scene, const RenderedChart& chart) {
  cv::Mat grey(image.height(), image.width(), CV_8U);
  for (int y = 0; y < image.height(); ++y)
    for (int x = 0; x < image.width(); ++x)
      grey.at<unsigned char>(y, x) = cv::saturate_cast<unsigned char>(255.0F * image.at(x, y));
  std::vector<cv::Point2f> points;
  cv::Mat meta;
  if (!cv::findChessboardCornersSB(
          grey,
          {5, 5},
          points,
          cv::CALIB_CB_LARGER | cv::CALIB_CB_NORMALIZE_IMAGE | cv::CALIB_CB_EXHAUSTIVE,
          meta))
    return 0;
  int found = 0;
  for (const cv::Point2f& p : points) {
    const Nearest truth = nearest(chart, Point2d(p.x + 0.5, p.y + 0.5));
    const Point2d& at = chart.corners_px[static_cast<std::size_t>(truth.index)];
    if (truth.distance < 0.5 && on_plate(scene, at, kVisiblePx)) ++found;
  }
  return found;
}

using Change = std::function<void(Image<float>&)>;

Score run(const char* name,
          const ChartScene& scene,
          const Change& change = {},
          const Covered& covered = {}) {
  CAPTURE(name);
  RenderedChart chart = render_chart(scene);
  if (change) change(chart.image);
  const auto detection = detect_chart(chart.image.view(), kAny);
  REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
  const Score result = score(*detection, scene, chart, covered);
  std::printf(
      "%-46s %4d visible: %6.2f %% found, %2d more, wrong %d, dropped %d | rms %.4f worst "
      "%.3f bias %.4f | SB larger %4d\n",
      name,
      result.visible,
      100.0 * result.share(),
      result.extra,
      result.wrong,
      result.dropped,
      result.rms(),
      result.worst,
      result.bias(),
      library_found(chart.image, scene, chart));
  CHECK(result.wrong == 0);
  return result;
}

constexpr double kFoundShare = 0.99;
constexpr double kWorstPx = 0.15;
constexpr double kBiasPx = 0.003;

// A chart that fills the frame and runs off all four edges.
ChartScene overfilled() {
  return {.width = 640,
          .height = 427,
          .columns = 33,
          .rows = 25,
          .pose = {.focal_px = 620.0,
                   .middle_px = {326.3, 209.7},
                   .square_px = 30.0,
                   .tilt_x_deg = 8.0,
                   .tilt_y_deg = -12.0,
                   .roll_deg = 7.0},
          .blur_px = 0.7,
          .noise = 1.0 / 255.0,
          .bits = 8,
          .samples = 3};
}

Change hot_spot() {
  return [](Image<float>& image) {
    for (int y = 0; y < image.height(); ++y)
      for (int x = 0; x < image.width(); ++x) {
        const double dx = x - 0.62 * image.width();
        const double dy = y - 0.4 * image.height();
        const double r2 = (dx * dx + dy * dy) / (0.03 * image.width() * image.width());
        image.at(x, y) *= static_cast<float>(0.35 + 0.9 * std::exp(-r2));
      }
  };
}

}  // namespace

TEST_CASE("charts that run off the frame") {
  ChartScene scene = overfilled();
  auto s = run("all four edges", scene);
  CHECK(s.share() >= kFoundShare);
  CHECK(s.rms() <= 0.02);
  CHECK(s.worst <= kWorstPx);
  CHECK(s.bias() <= kBiasPx);
  scene.columns = 14;
  scene.rows = 11;
  scene.pose.square_px = 34.0;
  for (const auto& [name, x, y] : {std::tuple{"left edge", 150.0, 213.0},
                                   {"right and lower edge", 520.0, 340.0},
                                   {"three edges", 320.0, 90.0}}) {
    scene.pose.middle_px = {x, y};
    if (name[0] == 't') scene.columns = 24;
    s = run(name, scene);
    CHECK(s.share() >= kFoundShare);
    CHECK(s.rms() <= 0.02);
    CHECK(s.worst <= kWorstPx);
  }
}

TEST_CASE("distortion, squeeze, tilt") {
  ChartScene scene = overfilled();
  // r = 1.2 in the corner, moved by -30 %.
  scene.pose.focal_px = 458.0;
  scene.pose.square_px = 34.0;
  scene.columns = 49;
  scene.rows = 37;
  scene.k1 = -0.2803;
  scene.k2 = 0.05;
  auto s = run("-30 % in the corner", scene);
  CHECK(s.share() >= kFoundShare);
  CHECK(s.worst <= kWorstPx);
  scene.noise = 0.0;
  scene.bits = 16;
  s = run("-30 % in the corner, no noise", scene);
  CHECK(s.bias() <= kBiasPx);
  scene = overfilled();
  scene.pose.focal_px = 770.0;
  scene.k1 = 0.47;
  s = run("+10 % in the corner", scene);
  CHECK(s.share() >= kFoundShare);
  CHECK(s.worst <= kWorstPx);
  scene = overfilled();
  scene.squeeze = 2.0;
  scene.columns = 49;
  s = run("2x squeeze", scene);
  CHECK(s.share() >= kFoundShare);
  scene = overfilled();
  for (const double roll : {0.0, 37.0, 128.0, 251.0}) {
    scene.pose.roll_deg = roll;
    scene.pose.tilt_x_deg = 35.0;
    scene.pose.tilt_y_deg = 38.0;  // 50 degrees from facing the camera
    scene.pose.square_px = 42.0;
    scene.columns = 24;
    scene.rows = 19;
    const std::string name = "tilt 50, roll " + std::to_string(static_cast<int>(roll));
    s = run(name.c_str(), scene);
    CHECK(s.share() >= kFoundShare);
    CHECK(s.worst <= 2.0 * kWorstPx);  // the far squares are small
  }
}

TEST_CASE("blur and noise") {
  for (const auto& [name, blur, noise] : {std::tuple{"blur 0.3, noise 1", 0.3, 1.0},
                                          {"blur 1, noise 2", 1.0, 2.0},
                                          {"blur 1, noise 5", 1.0, 5.0},
                                          {"blur 2, noise 5", 2.0, 5.0},
                                          {"blur 3, noise 5", 3.0, 5.0}}) {
    ChartScene scene = overfilled();
    scene.blur_px = blur;
    scene.noise = noise / 255.0;
    const Score s = run(name, scene);
    CHECK(s.share() >= kFoundShare);
    if (blur <= 1.0 && noise <= 2.0) CHECK(s.rms() <= 0.03);
  }
  ChartScene sharp = overfilled();
  sharp.blur_px = 0.5;
  ChartScene soft = sharp;
  soft.blur_px = 3.0;
  const RenderedChart corners = render_chart(soft);
  const Score s = run("blur 0.5 in the centre, 3 in the corners", sharp, [&](Image<float>& image) {
    const Point2d center(0.5 * image.width(), 0.5 * image.height());
    for (int y = 0; y < image.height(); ++y)
      for (int x = 0; x < image.width(); ++x) {
        const double r2 = (Point2d(x + 0.5, y + 0.5) - center).squaredNorm() / center.squaredNorm();
        const auto t = static_cast<float>(r2);
        image.at(x, y) = (1.0F - t) * image.at(x, y) + t * corners.image.at(x, y);
      }
  });
  CHECK(s.share() >= kFoundShare);
}

TEST_CASE("light and pixels") {
  ChartScene scene = overfilled();
  scene.noise = 2.0 / 255.0;
  scene.vignetting = 0.75;  // two stops in the corners
  CHECK(run("vignetting of two stops", scene).share() >= kFoundShare);
  CHECK(run("vignetting and a hot spot", scene, hot_spot()).share() >= kFoundShare);
  scene.vignetting = 0.0;
  std::swap(scene.dark, scene.light);
  CHECK(run("inverted", scene).share() >= kFoundShare);
  scene = overfilled();
  scene.bits = 0;
  const auto mapped = [](const std::function<float(float)>& map) -> Change {
    return [map](Image<float>& image) {
      for (std::size_t i = 0; i < image.size(); ++i) image.data()[i] = map(image.data()[i]);
    };
  };
  CHECK(run("linear, -0.4 to 7", scene, mapped([](float v) { return 9.0F * v * v - 0.5F; }))
            .share() >= kFoundShare);
  CHECK(run("log", scene, mapped([](float v) { return std::log2(std::max(v, 0.001F)); })).share() >=
        kFoundShare);
  std::mt19937 random(11);
  const Score s = run("one pixel of 2000 is NaN", scene, [&](Image<float>& image) {
    for (std::size_t i = 0; i < image.size(); ++i)
      if (random() % 2000 == 0) image.data()[i] = std::numeric_limits<float>::quiet_NaN();
  });
  CHECK(s.share() >= kFoundShare);
}

TEST_CASE("holes") {
  const ChartScene scene = overfilled();
  const auto paint = [](const Covered& covered) -> Change {
    return [covered](Image<float>& image) {
      for (int y = 0; y < image.height(); ++y)
        for (int x = 0; x < image.width(); ++x)
          if (covered(Point2d(x + 0.5, y + 0.5)))
            image.at(x, y) =
                static_cast<float>(0.45 + 0.1 * std::sin(0.05 * x) * std::cos(0.08 * y));
    };
  };
  const auto with_margin = [](const Covered& covered) -> Covered {
    return [covered](const Point2d& p) {
      for (int a = 0; a < 16; ++a) {
        const double t = a * 0.39269908;
        if (covered(p + 7.0 * Point2d(std::cos(t), std::sin(t)))) return true;
      }
      return covered(p);
    };
  };
  const Covered hand = [](const Point2d& p) {
    return std::pow((p.x() - 300.0) / 90.0, 2) + std::pow((p.y() - 210.0) / 70.0, 2) < 1.0;
  };
  auto s = run("a hand in the middle", scene, paint(hand), with_margin(hand));
  CHECK(s.share() >= kFoundShare);
  CHECK(s.worst <= kWorstPx);
  for (const double width : {20.0, 45.0, 75.0}) {
    const Covered arm = [width](const Point2d& p) {
      return std::abs(0.92 * (p.x() - 350.0) + 0.39 * (p.y() - 200.0)) < 0.5 * width;
    };
    const std::string name = "an arm from edge to edge, " + std::to_string(static_cast<int>(width));
    s = run(name.c_str(), scene, paint(arm), with_margin(arm));
    CHECK(s.share() >= kFoundShare);
    CHECK(s.dropped == 0);
  }
  // Too wide to count the squares behind it with certainty, or not: never a wrong index.
  const Covered wall = [](const Point2d& p) { return p.x() > 180.0 && p.x() < 450.0; };
  s = run("a wall of nine squares", scene, paint(wall), with_margin(wall));
  CHECK(s.found + s.dropped > 50);
}
