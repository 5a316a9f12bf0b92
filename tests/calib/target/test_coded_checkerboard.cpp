// Coded checkerboards against the rendered truth, columns and rows being those of the print; beside
// OpenCV's own way with such charts (4.6: aruco markers, then interpolateCornersCharuco) on the
// same frames.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <functional>
#include <limits>
#include <opencv2/aruco/charuco.hpp>
#include <opencv2/imgcodecs.hpp>
#include <opencv2/imgproc.hpp>
#include <random>
#include <string>
#include <tuple>
#include <utility>
#include <vector>

#include "calib/target/coded_layout.h"
#include "calib/target/detect.h"
#include "tests/calib/target/mark_scores.h"
#include "tests/support/chart_render.h"

using trueplate::ErrorCode;
using trueplate::Image;
using trueplate::Point2d;
using trueplate::target::Chart;
using trueplate::target::ChartKind;
using trueplate::target::Corner;
using trueplate::target::detect_chart;
using trueplate::target::Detection;
using trueplate::target::Origin;
using namespace trueplate::tests;

namespace {

constexpr double kPitchMm = 20.0;
const Chart kCoded{.kind = ChartKind::kCoded, .pitch_mm = kPitchMm};
constexpr double kVisiblePx = 5.0;
constexpr double kFoundShare = 0.99;
constexpr double kWorstPx = 0.15;
constexpr double kRmsPx = 0.03;  // at a blur of 1 px and a noise of 2/255

// A chart that fills the frame and runs off all four edges.
ChartScene overfilled() {
  return {.width = 960,
          .height = 640,
          .pattern = Pattern::kCoded,
          .columns = 33,
          .rows = 25,
          .pose = {.focal_px = 930.0,
                   .middle_px = {489.3, 314.7},
                   .square_px = 45.0,
                   .tilt_x_deg = 8.0,
                   .tilt_y_deg = -12.0,
                   .roll_deg = 7.0},
          .blur_px = 0.7,
          .noise = 1.0 / 255.0,
          .bits = 8,
          .samples = 3};
}

// Darkest to lightest pixel as 0 to 255.
cv::Mat grey_of(const Image<float>& image) {
  float low = std::numeric_limits<float>::infinity();
  float high = -low;
  for (std::size_t i = 0; i < image.size(); ++i) {
    if (!std::isfinite(image.data()[i])) continue;
    low = std::min(low, image.data()[i]);
    high = std::max(high, image.data()[i]);
  }
  cv::Mat grey(image.height(), image.width(), CV_8U);
  for (int y = 0; y < image.height(); ++y)
    for (int x = 0; x < image.width(); ++x)
      grey.at<unsigned char>(y, x) =
          cv::saturate_cast<unsigned char>(255.0F * (image.at(x, y) - low) / (high - low));
  return grey;
}

Image<float> image_of(const cv::Mat& grey) {
  Image<float> image(grey.cols, grey.rows, 1);
  for (int y = 0; y < grey.rows; ++y)
    for (int x = 0; x < grey.cols; ++x) image.at(x, y) = grey.at<unsigned char>(y, x) / 255.0F;
  return image;
}

// The library's board of this layout: its squares and markers are the same, its numbers count the
// light squares row by row and are replaced by ours.
std::vector<Corner> library_corners(const Image<float>& image, const ChartScene& scene) {
  const auto dictionary = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_1000);
  const auto board =
      cv::aruco::CharucoBoard::create(scene.columns + 1, scene.rows + 1, 1.0F, 0.6F, dictionary);
  std::vector<int> ids;
  for (int j = 0; j <= scene.rows; ++j)
    for (int i = 0; i <= scene.columns; ++i)
      if ((i + j) % 2 != 0) ids.push_back(25 * j + i / 2);
  board->ids = ids;
  const cv::Mat grey = grey_of(image);
  std::vector<std::vector<cv::Point2f>> markers;
  std::vector<int> found_ids;
  cv::aruco::detectMarkers(grey, dictionary, markers, found_ids);
  std::vector<cv::Point2f> points;
  std::vector<int> point_ids;
  if (!found_ids.empty())
    cv::aruco::interpolateCornersCharuco(markers, found_ids, grey, board, points, point_ids);
  std::vector<Corner> corners;
  for (std::size_t k = 0; k < points.size(); ++k) {
    Corner corner;
    corner.p_chart_mm = {
        kPitchMm * (point_ids[k] % scene.columns), kPitchMm * (point_ids[k] / scene.columns), 0.0};
    // These functions count pixel centres from 0.5, unlike the rest of the library: adding 0.5
    // would leave a bias of just that.
    corner.p_plate_px = {points[k].x, points[k].y};
    corner.sigma_px = 1.0;
    corners.push_back(corner);
  }
  return corners;
}

MarkScore score_of(const std::vector<Corner>& corners,
                   const ChartScene& scene,
                   const RenderedChart& chart) {
  return score_marks(corners, scene, chart, kPitchMm, kVisiblePx, Indices::kOfThePrint);
}

using Change = std::function<void(Image<float>&)>;

MarkScore run(const std::string& name, const ChartScene& scene, const Change& change = {}) {
  CAPTURE(name);
  RenderedChart chart = render_chart(scene);
  if (change) change(chart.image);
  const auto detection = detect_chart(chart.image.view(), kCoded);
  REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
  CHECK(detection->origin == Origin::kMarked);
  const MarkScore score = score_of(detection->corners, scene, chart);
  print(name.c_str(), score);
  const MarkScore library = score_of(library_corners(chart.image, scene), scene, chart);
  std::printf("%46s library %4d, wrong %d | rms %.4f worst %.3f\n",
              "",
              library.found,
              library.wrong,
              library.total > 0 ? library.rms() : 0.0,
              library.worst);
  for (const trueplate::Warning& warning : detection->warnings)
    std::printf("%46s %s\n", "", warning.message.c_str());
  CHECK(score.wrong == 0);
  CHECK(score.share() >= kFoundShare);
  return score;
}

Change mapped(const std::function<float(float)>& map) {
  return [map](Image<float>& image) {
    for (std::size_t i = 0; i < image.size(); ++i) image.data()[i] = map(image.data()[i]);
  };
}

std::string refusal(const Image<float>& image, const Chart& chart = kCoded) {
  const auto detection = detect_chart(image.view(), chart);
  if (detection) return fmt::format("found {} corners", detection->corners.size());
  CHECK(detection.error().code == ErrorCode::kNoChart);
  return detection.error().message;
}

bool refused(const std::string& message, const char* words) {
  CAPTURE(message);
  return message.find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("charts that run off the frame") {
  ChartScene scene = overfilled();
  auto s = run("all four edges", scene);
  CHECK(s.worst <= kWorstPx);
  CHECK(s.bias() <= 0.003);
  scene.blur_px = 1.0;
  scene.noise = 2.0 / 255.0;
  for (const int seed : {2, 3, 4}) {
    scene.seed = static_cast<std::uint32_t>(seed);
    s = run(fmt::format("blur 1, noise 2, seed {}", seed), scene);
    CHECK(s.rms() <= kRmsPx);
    CHECK(s.worst <= kWorstPx);
  }
  // Anywhere on the largest print: only the far end in sight, and only the near one.
  scene.columns = 49;
  scene.rows = 39;
  scene.pose.middle_px = {-400.0, -300.0};
  CHECK(run("the last columns and rows", scene).rms() <= kRmsPx);
  scene.pose.middle_px = {1400.0, 1100.0};
  CHECK(run("the first columns and rows", scene).rms() <= kRmsPx);
  scene.columns = 8;
  scene.rows = 5;
  scene.pose.middle_px = {480.0, 320.0};
  for (const double roll : {0.0, 90.0, 180.0, 270.0}) {
    scene.pose.roll_deg = roll;
    CHECK(run(fmt::format("all of a small print, roll {}", roll), scene).rms() <= kRmsPx);
  }
}

TEST_CASE("distortion, squeeze, tilt") {
  ChartScene scene = overfilled();
  // r = 1.2 in the corner, moved by -30 %.
  scene.pose.focal_px = 687.0;
  scene.pose.square_px = 51.0;
  scene.columns = 49;
  scene.rows = 37;
  scene.k1 = -0.2803;
  scene.k2 = 0.05;
  CHECK(run("-30 % in the corner", scene).worst <= kWorstPx);
  scene = overfilled();
  scene.pose.focal_px = 1155.0;
  scene.k1 = 0.47;
  CHECK(run("+10 % in the corner", scene).worst <= kWorstPx);
  scene = overfilled();
  scene.squeeze = 2.0;
  scene.columns = 49;
  run("2x squeeze", scene);
  scene = overfilled();
  for (const double roll : {0.0, 37.0, 128.0, 251.0}) {
    scene.pose.roll_deg = roll;
    scene.pose.tilt_x_deg = 35.0;
    scene.pose.tilt_y_deg = 38.0;  // 50 degrees from facing the camera
    scene.pose.square_px = 63.0;
    scene.columns = 24;
    scene.rows = 19;
    CHECK(run(fmt::format("tilt 50, roll {}", roll), scene).worst <= 2.0 * kWorstPx);
  }
}

TEST_CASE("blur, noise and size") {
  for (const auto& [blur, noise, square] : {std::tuple{0.3, 1.0, 45.0},
                                            {1.0, 5.0, 45.0},
                                            {2.0, 5.0, 45.0},
                                            {3.0, 5.0, 45.0},
                                            {3.0, 2.0, 35.0},
                                            {0.7, 2.0, 24.0},
                                            {0.7, 2.0, 90.0},
                                            {3.0, 2.0, 90.0},
                                            {1.0, 1.0, 15.0},
                                            {4.5, 2.0, 45.0}}) {
    ChartScene scene = overfilled();
    scene.blur_px = blur;
    scene.noise = noise / 255.0;
    scene.pose.square_px = square;
    scene.columns = 45;
    scene.rows = 35;
    run(fmt::format("blur {}, noise {}, squares of {} px", blur, noise, square), scene);
  }
}

TEST_CASE("light and pixels") {
  ChartScene scene = overfilled();
  scene.noise = 2.0 / 255.0;
  scene.vignetting = 0.75;  // two stops in the corners
  run("vignetting of two stops", scene);
  scene.vignetting = 0.0;
  std::swap(scene.dark, scene.light);
  run("inverted", scene);
  scene = overfilled();
  scene.bits = 0;
  run("linear, -0.4 to 7", scene, mapped([](float v) { return 9.0F * v * v - 0.5F; }));
  run("log", scene, mapped([](float v) { return std::log2(std::max(v, 0.001F)); }));
  std::mt19937 random(11);
  run("one pixel of 2000 is NaN", scene, [&](Image<float>& image) {
    for (std::size_t i = 0; i < image.size(); ++i)
      if (random() % 2000 == 0) image.data()[i] = std::numeric_limits<float>::quiet_NaN();
  });
}

TEST_CASE("holes") {
  ChartScene scene = overfilled();
  scene.covers = {{.x = 380.0, .y = 200.0, .width = 230.0, .height = 170.0}};
  run("something in the middle", scene);
  scene.covers = {{.x = 300.0, .y = 0.0, .width = 380.0, .height = 640.0}};
  run("a wall of eight squares", scene);
  scene.covers.push_back({.x = 0.0, .y = 200.0, .width = 960.0, .height = 230.0});
  run("a cross that leaves four corners", scene);
}

TEST_CASE("parts that contradict each other") {
  // Squares of 40 px that face the camera: a part moved by whole squares fits the grid, its markers
  // do not. Moved to the right it repeats columns, moved to the left some are missing.
  ChartScene scene = overfilled();
  scene.width = 1120;
  scene.pose = {.focal_px = 900.0, .middle_px = {560.0, 320.0}, .square_px = 40.0};
  const RenderedChart chart = render_chart(scene);
  constexpr int kSeamPx = 500;  // amid squares
  for (const int moved_px : {320, -80}) {
    CAPTURE(moved_px);
    Image<float> image(960, scene.height, 1);
    for (int y = 0; y < image.height(); ++y)
      for (int x = 0; x < image.width(); ++x)
        image.at(x, y) = chart.image.at(x < kSeamPx ? x : x - moved_px, y);
    const auto detection = detect_chart(image.view(), kCoded);
    REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
    int wrong = 0;
    int beyond = 0;
    for (const Corner& corner : detection->corners) {
      const auto column = static_cast<std::size_t>(std::lround(corner.p_chart_mm.x() / kPitchMm));
      const auto row = static_cast<std::size_t>(std::lround(corner.p_chart_mm.y() / kPitchMm));
      Point2d truth = chart.corners_px[row * static_cast<std::size_t>(scene.columns) + column];
      if (corner.p_plate_px.x() > kSeamPx) {
        truth.x() += moved_px;
        ++beyond;
      }
      if ((truth - corner.p_plate_px).norm() > 2.0) ++wrong;
    }
    std::printf("a part moved by %d px: %zu corners, %d of them in it, %d wrong\n",
                moved_px,
                detection->corners.size(),
                beyond,
                wrong);
    CHECK(wrong == 0);
    CHECK(detection->corners.size() > 100);
  }
}

TEST_CASE("a second print of the chart is left out") {
  ChartScene scene = overfilled();
  scene.columns = 9;
  scene.rows = 7;
  scene.pose.square_px = 38.0;
  scene.pose.middle_px = {240.0, 320.0};
  RenderedChart first = render_chart(scene);
  scene.columns = 8;
  scene.pose.roll_deg = 75.0;
  scene.pose.middle_px = {730.0, 320.0};
  const RenderedChart second = render_chart(scene);
  Image<float>& image = first.image;
  for (int y = 0; y < scene.height; ++y)
    for (int x = 490; x < scene.width; ++x) image.at(x, y) = second.image.at(x, y);
  const auto detection = detect_chart(image.view(), kCoded);
  REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
  scene.columns = 9;
  const MarkScore score = score_of(detection->corners, scene, first);
  print("beside a second print", score);
  CHECK(score.wrong == 0);
  CHECK(score.share() >= kFoundShare);
  CHECK(detection->num_dropped_pieces == 1);
}

TEST_CASE("a grid that is given is held against the markers") {
  ChartScene scene = overfilled();
  scene.columns = 14;
  scene.rows = 9;
  const RenderedChart chart = render_chart(scene);
  Chart print = kCoded;
  print.columns = 14;
  print.rows = 9;
  const auto detection = detect_chart(chart.image.view(), print);
  REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
  CHECK(detection->corners.size() == 14 * 9);
  CHECK(score_of(detection->corners, scene, chart).wrong == 0);
  print.columns = 9;
  print.rows = 14;
  CHECK(refused(refusal(chart.image, print), "beyond the 9x14"));
  print.columns = 20;
  CHECK(detect_chart(chart.image.view(), print).has_value());
  print.columns = 60;
  const auto impossible = detect_chart(chart.image.view(), print);
  REQUIRE(!impossible);
  CHECK(impossible.error().code == ErrorCode::kInvalidInput);
}

TEST_CASE("never a guess") {
  ChartScene scene = overfilled();
  scene.pattern = Pattern::kCheckerboard;
  CHECK(refused(refusal(render_chart(scene).image), "markers that agree"));
  scene.pattern = Pattern::kCoded;
  scene.pose.square_px = 24.0;
  scene.blur_px = 4.5;  // two modules: nothing is left of the markers
  CHECK(refused(refusal(render_chart(scene).image), "need 12"));
  scene.pattern = Pattern::kDots;
  CHECK(refused(refusal(render_chart(scene).image), "need 12"));
  Image<float> image(640, 480, 1);
  image.fill(std::numeric_limits<float>::quiet_NaN());
  CHECK(refused(refusal(image), "need 12"));
  std::mt19937 random(5);
  for (std::size_t i = 0; i < image.size(); ++i)
    image.data()[i] = static_cast<float>(random() % 1000) / 1000.0F;
  CHECK(refused(refusal(image), "need 12"));
}

TEST_CASE("markers without a checkerboard are no chart") {
  const auto dictionary = cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_1000);
  for (const float gap : {0.25F, 0.67F, 1.0F}) {
    cv::Mat picture;
    cv::aruco::GridBoard::create(8, 6, 1.0F, gap, dictionary)->draw({1200, 900}, picture, 20);
    const Image<float> image = image_of(picture);
    CHECK_FALSE(detect_chart(image.view(), kCoded).has_value());
  }
}

TEST_CASE("no coded chart among the pictures of Debian's opencv-doc") {
  const std::filesystem::path folder = "/usr/share/doc/opencv-doc/examples/data";
  if (!std::filesystem::exists(folder)) {
    std::printf("skipped: %s is absent (package opencv-doc)\n", folder.c_str());
    return;
  }
  int pictures = 0;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    if (entry.path().extension() != ".jpg" && entry.path().extension() != ".png") continue;
    const cv::Mat grey = cv::imread(entry.path().string(), cv::IMREAD_GRAYSCALE);
    if (grey.empty() || std::min(grey.cols, grey.rows) < 32) continue;
    const std::string name = entry.path().filename();
    CAPTURE(name);
    const Image<float> image = image_of(grey);
    CHECK_FALSE(detect_chart(image.view(), kCoded).has_value());
    ++pictures;
  }
  std::printf("no chart on %d pictures\n", pictures);
}
