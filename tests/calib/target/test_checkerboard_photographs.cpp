// Detection on open photograph sets, and cv::calibrateCamera (OpenCV 4.6, default model) on our
// corners against the rms its README states for cornerSubPix on the same frames. Each set's README
// names source and licence. Skipped where a set is absent.

#include <doctest/doctest.h>

#include <cstdio>
#include <filesystem>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgcodecs.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calib/target/checkerboard.h"
#include "tests/support/test_data.h"

using trueplate::ErrorCode;
using trueplate::ImageView;
using trueplate::Result;
using trueplate::target::Chart;
using trueplate::target::Corner;
using trueplate::target::detect_checkerboard;
using trueplate::tests::photograph_set;

namespace {

cv::Mat grey(const std::filesystem::path& file) {
  cv::Mat image;
  cv::imread(file.string(), cv::IMREAD_GRAYSCALE).convertTo(image, CV_32F, 1.0 / 255.0);
  REQUIRE(!image.empty());
  return image;
}

ImageView<const float> view_of(const cv::Mat& image) {
  return {image.ptr<float>(),
          image.cols,
          image.rows,
          1,
          static_cast<std::ptrdiff_t>(image.step / sizeof(float))};
}

Result<std::vector<Corner>> detect(const std::filesystem::path& file, int columns, int rows) {
  const cv::Mat image = grey(file);
  auto found =
      detect_checkerboard(view_of(image), {.pitch_mm = 1.0, .columns = columns, .rows = rows});
  if (!found) return trueplate::fail(found.error());
  return found->corners;
}

// Corners of many frames, as the library wants them.
struct Frames {
  std::vector<std::vector<cv::Point3f>> chart;
  std::vector<std::vector<cv::Point2f>> plate;
  cv::Size size;

  void add(const std::vector<Corner>& corners, cv::Size image) {
    std::vector<cv::Point3f> on_chart;
    std::vector<cv::Point2f> on_plate;
    for (const Corner& c : corners) {
      on_chart.emplace_back(
          static_cast<float>(c.p_chart_mm.x()), static_cast<float>(c.p_chart_mm.y()), 0.0F);
      on_plate.emplace_back(static_cast<float>(c.p_plate_px.x() - 0.5),
                            static_cast<float>(c.p_plate_px.y() - 0.5));
    }
    chart.push_back(on_chart);
    plate.push_back(on_plate);
    size = image;
  }

  [[nodiscard]] double calibrate() const {
    cv::Mat camera, distortion;
    std::vector<cv::Mat> rotations, translations;
    return cv::calibrateCamera(chart, plate, size, camera, distortion, rotations, translations);
  }
};

std::string numbered(const char* pattern, int number) {
  char text[64];
  std::snprintf(text, sizeof text, pattern, number);
  return text;
}

void check_set(const char* set,
               const char* pattern,
               const std::vector<int>& numbers,
               int columns,
               int rows,
               double reference_rms,
               double wanted_rms) {
  const auto folder = photograph_set(set);
  if (!folder) return;
  Frames frames;
  for (const int number : numbers) {
    const auto file = *folder / numbered(pattern, number);
    CAPTURE(file.filename().string());
    const auto corners = detect(file, columns, rows);
    REQUIRE_MESSAGE(corners.has_value(), corners.error().message);
    CHECK(corners->size() == static_cast<std::size_t>(columns * rows));
    frames.add(*corners, {640, 480});
  }
  const double rms = frames.calibrate();
  std::printf("%s %s: %zu frames, rms %.4f px (cornerSubPix %.4f)\n",
              set,
              pattern,
              numbers.size(),
              rms,
              reference_rms);
  CHECK(rms <= reference_rms);
  CHECK(rms <= wanted_rms);
}

const std::vector<int> kStereo = {1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14};

}  // namespace

TEST_CASE("stereo-640, left") {
  check_set("stereo-640", "left%02d.jpg", kStereo, 9, 6, 0.2450, 0.17);
}

TEST_CASE("stereo-640, right") {
  check_set("stereo-640", "right%02d.jpg", kStereo, 9, 6, 0.3614, 0.17);
}

TEST_CASE("chess-640") {
  check_set("chess-640",
            "frame%02d.jpg",
            {1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13},
            4,
            6,
            0.1515,
            0.145);
}

TEST_CASE("road-720p: every frame that shows the whole board") {
  const auto folder = photograph_set("road-720p");
  if (!folder) return;
  Frames frames;
  for (const int number : {2, 3, 6, 8, 9, 10, 11, 12, 13, 14, 16, 17, 18, 19, 20}) {
    CAPTURE(number);
    const auto corners = detect(*folder / numbered("calibration%d.jpg", number), 9, 6);
    REQUIRE_MESSAGE(corners.has_value(), corners.error().message);
    CHECK(corners->size() == 54);
    frames.add(*corners, {1280, 720});
  }
  const double rms = frames.calibrate();
  std::printf("road-720p: 15 frames, rms %.4f px (cornerSubPix 0.8526)\n", rms);
  // The sheet is bent, by up to a pixel in the close-ups: no corner detector changes that.
  CHECK(rms <= 0.8526 * 1.01);

  // Two frames of another size.
  for (const int number : {7, 15}) {
    CAPTURE(number);
    const auto corners = detect(*folder / numbered("calibration%d.jpg", number), 9, 6);
    REQUIRE_MESSAGE(corners.has_value(), corners.error().message);
    CHECK(corners->size() == 54);
  }
  // One row of the board is outside.
  const auto partial = detect(*folder / "calibration1.jpg", 9, 6);
  REQUIRE(!partial);
  CHECK(partial.error().message == "found 45 of 54 corners, need 54 (9x6)");
}

TEST_CASE("a wrong grid is noticed on photographs") {
  const auto folder = photograph_set("stereo-640");
  if (!folder) return;
  for (const int number : kStereo) {
    CAPTURE(number);
    const auto file = *folder / numbered("left%02d.jpg", number);
    for (const auto& [columns, rows] : {std::pair{8, 6}, {9, 5}, {7, 7}, {5, 4}}) {
      const auto corners = detect(file, columns, rows);
      REQUIRE(!corners);
      CHECK(corners.error().code == ErrorCode::kNoChart);
      CHECK(corners.error().message.find("check --grid") != std::string::npos);
    }
    const auto across = detect(file, 6, 9);
    REQUIRE(across);
    CHECK(across->size() == 54);
  }
}

TEST_CASE("photographs without a checkerboard") {
  for (const char* set : {"dots-640", "road-720p"}) {
    const auto folder = photograph_set(set);
    if (!folder) continue;
    for (const auto& entry : std::filesystem::directory_iterator(*folder)) {
      const std::string name = entry.path().filename().string();
      if (entry.path().extension() != ".jpg" || name.starts_with("calibration")) continue;
      CAPTURE(name);
      const auto corners = detect(entry.path(), 9, 6);
      REQUIRE(!corners);
      CHECK(corners.error().code == ErrorCode::kNoChart);
    }
  }
}

TEST_CASE("every frame without a grid, the board partly outside or not") {
  const auto check = [](const char* set, const char* pattern, std::size_t corners) {
    const auto folder = photograph_set(set);
    if (!folder) return;
    for (int number = 1; number <= 20; ++number) {
      const auto file = *folder / numbered(pattern, number);
      if (!std::filesystem::exists(file)) continue;
      CAPTURE(file.filename().string());
      const cv::Mat image = grey(file);
      const auto found = detect_checkerboard(view_of(image), {.pitch_mm = 1.0});
      REQUIRE_MESSAGE(found.has_value(), found.error().message);
      CHECK(found->corners.size() <= corners);
      CHECK(found->corners.size() >= 45);
      // Further boards lie on a shelf in some of the stereo frames, small and far away.
      CHECK(found->num_dropped_corners < 54);
    }
  };
  check("stereo-640", "left%02d.jpg", 54);
  check("stereo-640", "right%02d.jpg", 54);
  check("road-720p", "calibration%d.jpg", 54);
}

// The pictures of Debian's package opencv-doc, but those of checkerboards.
TEST_CASE("pictures without a chart, no grid given") {
  const std::filesystem::path folder = "/usr/share/doc/opencv-doc/examples/data";
  if (!std::filesystem::exists(folder)) {
    MESSAGE("skipped: Debian's package opencv-doc is not installed");
    return;
  }
  int count = 0;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    const std::string extension = entry.path().extension().string();
    const std::string name = entry.path().filename().string();
    if (extension != ".jpg" && extension != ".png") continue;
    // left01.jpg and so on show a checkerboard, left.jpg does not.
    const bool numbered_board = (name.starts_with("left") || name.starts_with("right")) &&
                                name.find_first_of("0123456789") != std::string::npos;
    const bool board = numbered_board || name.starts_with("chessboard");
    cv::Mat image = cv::imread(entry.path().string(), cv::IMREAD_GRAYSCALE);
    if (board || image.empty() || std::min(image.cols, image.rows) < 32) continue;
    image.convertTo(image, CV_32F, 1.0 / 255.0);
    const auto found = detect_checkerboard(view_of(image), {.pitch_mm = 1.0});
    ++count;
    const std::size_t corners = found ? found->corners.size() : 0;
    CHECK_MESSAGE(corners == 0, name);
  }
  std::printf("opencv-doc: %d pictures without a chart\n", count);
  CHECK(count >= 30);
}
