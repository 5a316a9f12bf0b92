#include "charts/draw/raster.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <opencv2/aruco.hpp>
#include <set>
#include <utility>
#include <vector>

#include "calib/target/coded_layout.h"

using namespace trueplate;
using target::ChartKind;

namespace {

draw::ChartDrawing on_wall(ChartKind kind, double pitch_px, double line_width_px = 0.0) {
  draw::ChartDesign design;
  design.chart.kind = kind;
  design.chart.pitch_mm = pitch_px * 2.6;
  design.line_width_mm = line_width_px * 2.6;
  auto chart = draw::draw_on_screen(design, {.size = {1920, 1080}, .mm_per_pixel = 2.6});
  REQUIRE_MESSAGE(chart.has_value(), (chart ? "" : chart.error().message));
  return std::move(*chart);
}

/// Whether all pixels of the pattern are 0 or 1, but those of the centre mark.
int count_partial_pixels(const Image<float>& image, const draw::ChartDrawing& chart) {
  const double clear = 1.6 * chart.design.chart.pitch_mm / chart.mm_per_unit;
  int count = 0;
  for (int y = static_cast<int>(chart.pattern.low.y()); y < chart.pattern.high.y(); ++y) {
    for (int x = static_cast<int>(chart.pattern.low.x()); x < chart.pattern.high.x(); ++x) {
      if ((Point2d(x, y) - chart.center).norm() < clear) continue;
      const float level = image.at(x, y);
      if (level != 0.0F && level != 1.0F) ++count;
    }
  }
  return count;
}

bool is_whole(double value) { return value == std::round(value); }

}  // namespace

TEST_CASE("squares are exact multiples of pixels, without a grey one") {
  const draw::ChartDrawing chart = on_wall(ChartKind::kCheckerboard, 50);
  const Image<float> image = draw::rasterize(chart.drawing);
  CHECK(image.width() == 1920);
  CHECK(is_whole(chart.origin.x()));
  CHECK(is_whole(chart.origin.y()));
  CHECK(count_partial_pixels(image, chart) == 0);
  const int x0 = static_cast<int>(chart.pattern.low.x());
  const int y0 = static_cast<int>(chart.pattern.low.y());
  constexpr std::array<std::pair<int, int>, 5> kSpots{
      {{0, 0}, {49, 0}, {0, 49}, {49, 49}, {10, 10}}};
  for (int j = 0; j <= chart.design.chart.rows; ++j) {
    for (int i = 0; i <= chart.design.chart.columns; ++i) {
      const float level = target::is_light_square({i, j}) ? 1.0F : 0.0F;
      CAPTURE(i);
      CAPTURE(j);
      for (const std::pair<int, int>& spot : kSpots) {
        CHECK(image.at(x0 + 50 * i + spot.first, y0 + 50 * j + spot.second) == level);
      }
    }
  }
}

TEST_CASE("lines of an even and of an odd number of pixels") {
  for (const int width : {1, 4, 5}) {
    CAPTURE(width);
    const draw::ChartDrawing chart = on_wall(ChartKind::kLines, 60, width);
    const Image<float> image = draw::rasterize(chart.drawing);
    CHECK(count_partial_pixels(image, chart) == 0);
    const int y = static_cast<int>(chart.origin.y()) + 20;
    for (int i = 0; i < chart.design.chart.columns; ++i) {
      const double x = chart.origin.x() + 60.0 * i;
      const int first = static_cast<int>(std::round(x - 0.5 * width));
      CHECK(first == x - 0.5 * width);
      CHECK(image.at(first - 1, y) == 1.0F);
      for (int k = 0; k < width; ++k) CHECK(image.at(first + k, y) == 0.0F);
      CHECK(image.at(first + width, y) == 1.0F);
    }
  }
}

TEST_CASE("a dot's pixels hold the share they cover: its area and centroid come back") {
  for (const ChartKind kind : {ChartKind::kDots, ChartKind::kDotsStaggered}) {
    const draw::ChartDrawing chart = on_wall(kind, 61);
    const Image<float> image = draw::rasterize(chart.drawing);
    const Point2d p = chart.origin;  // dot (0, 0); the centre's dots have holes
    const double radius = 0.5 * chart.design.dot_diameter_mm / chart.mm_per_unit;
    double area = 0.0;
    Point2d moment(0.0, 0.0);
    const int reach = static_cast<int>(radius) + 2;
    for (int y = static_cast<int>(p.y()) - reach; y <= p.y() + reach; ++y) {
      for (int x = static_cast<int>(p.x()) - reach; x <= p.x() + reach; ++x) {
        const double ink = 1.0 - image.at(x, y);
        area += ink;
        moment += ink * Point2d(x + 0.5, y + 0.5);
      }
    }
    CHECK(area == doctest::Approx(M_PI * radius * radius).epsilon(1e-3));
    CHECK((moment / area - p).norm() < 1e-3);
  }
}

// The markers are read back by the library whose dictionary they come from.
TEST_CASE("the library reads every marker of a coded chart, each where the layout says") {
  const draw::ChartDrawing chart = on_wall(ChartKind::kCoded, 60);
  const Image<float> image = draw::rasterize(chart.drawing);
  CHECK(count_partial_pixels(image, chart) == 0);
  cv::Mat picture(image.height(), image.width(), CV_8UC1);
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) {
      picture.at<unsigned char>(y, x) = static_cast<unsigned char>(255.0F * image.at(x, y));
    }
  }
  std::vector<std::vector<cv::Point2f>> corners;
  std::vector<int> ids;
  cv::aruco::detectMarkers(
      picture, cv::aruco::getPredefinedDictionary(cv::aruco::DICT_4X4_1000), corners, ids);
  std::set<int> found;
  for (std::size_t k = 0; k < ids.size(); ++k) {
    const target::ChartSquare square = target::coded_square(ids[k]);
    if (square.column > chart.design.chart.columns || square.row > chart.design.chart.rows)
      continue;
    found.insert(ids[k]);
    // The first corner it names is the marker's own top left one; its pixels count from their
    // middles.
    const Point2d wanted =
        chart.origin + 60.0 * Point2d(square.column - 1 + 0.2, square.row - 1 + 0.2);
    CHECK(std::abs(corners[k][0].x + 0.5 - wanted.x()) <= 1.0);
    CHECK(std::abs(corners[k][0].y + 0.5 - wanted.y()) <= 1.0);
  }
  const int squares = (chart.design.chart.columns + 1) * (chart.design.chart.rows + 1);
  CHECK(found.size() == static_cast<std::size_t>(squares / 2));
  MESSAGE(found.size(), " of ", squares / 2, " markers read, ", ids.size(), " reported");
}

TEST_CASE("the display curve keeps black and white and has its published middle") {
  CHECK(draw::display_coded(0.0F) == 0.0F);
  CHECK(draw::display_coded(1.0F) == doctest::Approx(1.0F));
  // IEC 61966-2-1: linear 0.2140 is coded as 0.5 (from the standard's formula).
  CHECK(draw::display_coded(0.21404F) == doctest::Approx(0.5F).epsilon(1e-4));
}
