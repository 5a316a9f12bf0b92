// Dots in open photographs, beside cv::calibrateCamera (OpenCV 4.6) on the library's own centres,
// whose rms the set's README states; and pictures without such a chart: the photographs of other
// charts, and the sample pictures of Debian's package opencv-doc. Skipped where a set is absent.

#include <doctest/doctest.h>

#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <opencv2/calib3d.hpp>
#include <opencv2/imgcodecs.hpp>
#include <string>
#include <vector>

#include "calib/target/dot_grid.h"
#include "calib/target/line_grid.h"
#include "tests/support/test_data.h"

using trueplate::ImageView;
using trueplate::Point2d;
using namespace trueplate::target;
using trueplate::tests::photograph_set;

namespace {

cv::Mat grey(const std::filesystem::path& file) {
  cv::Mat image;
  const cv::Mat read = cv::imread(file.string(), cv::IMREAD_GRAYSCALE);
  if (!read.empty()) read.convertTo(image, CV_32F, 1.0 / 255.0);
  return image;
}

ImageView<const float> view_of(const cv::Mat& image) {
  return {image.ptr<float>(),
          image.cols,
          image.rows,
          1,
          static_cast<std::ptrdiff_t>(image.step / sizeof(float))};
}

std::vector<std::filesystem::path> pictures_in(const std::filesystem::path& folder,
                                               std::size_t every) {
  std::vector<std::filesystem::path> files;
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    const std::string extension = entry.path().extension().string();
    if (extension == ".jpg" || extension == ".png") files.push_back(entry.path());
  }
  std::sort(files.begin(), files.end());
  std::vector<std::filesystem::path> some;
  for (std::size_t i = 0; i < files.size(); i += every) some.push_back(files[i]);
  return some;
}

constexpr Chart kDots{.kind = ChartKind::kDots, .pitch_mm = 25.0};
constexpr Chart kLines{.kind = ChartKind::kLines, .pitch_mm = 25.0};

// Pictures in which lines or dots were found.
int false_charts(const std::vector<std::filesystem::path>& files) {
  int count = 0;
  int looked_at = 0;
  for (const std::filesystem::path& file : files) {
    const cv::Mat image = grey(file);
    // A sudoku is a grid of lines.
    if (file.stem() == "sudoku" || image.empty() ||
        std::min(image.cols, image.rows) < kMinDetectSidePx)
      continue;
    ++looked_at;
    const auto lines = detect_lines(view_of(image), kLines);
    const auto dots = detect_dots(view_of(image), kDots);
    if (lines) std::printf("%s: %zu crossings\n", file.c_str(), lines->corners.size());
    if (dots) std::printf("%s: %zu dots\n", file.c_str(), dots->corners.size());
    if (lines) ++count;
    if (dots) ++count;
  }
  std::printf("%d pictures without such a chart\n", looked_at);
  return count;
}

}  // namespace

TEST_CASE("dots-640: all frames without their number, and no worse than centres of gravity") {
  const auto folder = photograph_set("dots-640");
  if (!folder) return;
  std::vector<std::vector<cv::Point3f>> chart;
  std::vector<std::vector<cv::Point2f>> plate;
  cv::Size size;
  for (const std::filesystem::path& file : pictures_in(*folder, 1)) {
    const cv::Mat image = grey(file);
    const auto found = detect_dots(view_of(image), kDots);
    REQUIRE_MESSAGE(found.has_value(), found.error().message);
    CHECK(found->corners.size() >= 78);  // of 80
    const Chart known{.kind = ChartKind::kDots, .pitch_mm = 25.0, .columns = 8, .rows = 10};
    const auto whole = detect_dots(view_of(image), known);
    CHECK_MESSAGE(whole.has_value(), file.filename().string());
    chart.emplace_back();
    plate.emplace_back();
    for (const Corner& c : found->corners) {
      chart.back().emplace_back(
          static_cast<float>(c.p_chart_mm.x()), static_cast<float>(c.p_chart_mm.y()), 0.0F);
      plate.back().emplace_back(static_cast<float>(c.p_plate_px.x() - 0.5),
                                static_cast<float>(c.p_plate_px.y() - 0.5));
    }
    size = image.size();
    std::printf("%s: %zu dots\n", file.filename().c_str(), found->corners.size());
  }
  REQUIRE(plate.size() == 6);
  cv::Mat camera, distortion;
  std::vector<cv::Mat> rotations, translations;
  const double rms =
      cv::calibrateCamera(chart, plate, size, camera, distortion, rotations, translations);
  std::printf("dots-640: rms %.4f px, with the library's centres 0.4821 px\n", rms);
  CHECK(rms < 0.4821);
}

TEST_CASE("no chart in photographs of checkerboards") {
  for (const char* set : {"stereo-640", "chess-640"}) {
    const auto folder = photograph_set(set);
    if (!folder) continue;
    CHECK(false_charts(pictures_in(*folder, 5)) == 0);
  }
}

TEST_CASE("no chart in the library's sample pictures") {
  const std::filesystem::path folder = "/usr/share/doc/opencv-doc/examples/data";
  if (!std::filesystem::is_directory(folder)) {
    std::printf("skipped: no pictures of the package opencv-doc\n");
    return;
  }
  // Every third of some ninety.
  CHECK(false_charts(pictures_in(folder, 3)) == 0);
}
