// The picture of what was found: marks stand where the points are, show on dark and on light, and
// nothing a detector returns can break it.

#include "charts/draw/detection_picture.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <vector>

using namespace trueplate;
using draw::DetectionScene;

namespace {

constexpr double kPitchMm = 10.0;
constexpr int kColumns = 7;
constexpr int kRows = 5;

Image<float> uniform(int width, int height, float level) {
  Image<float> image(width, height, 1);
  image.fill(level);
  return image;
}

target::Chart chart_of(target::ChartKind kind) { return {.kind = kind, .pitch_mm = kPitchMm}; }

/// A grid with unequal, oblique steps, as a lens would show it.
Point2d place_px(int column, int row) {
  return {90.3 + 61.7 * column + 4.1 * row, 80.6 + 55.2 * row - 3.3 * column};
}

target::Detection grid() {
  target::Detection detection;
  for (int row = 0; row < kRows; ++row) {
    for (int column = 0; column < kColumns; ++column) {
      detection.corners.push_back({.p_chart_mm = {column * kPitchMm, row * kPitchMm, 0.0},
                                   .p_plate_px = place_px(column, row),
                                   .sigma_px = 0.02});
    }
  }
  return detection;
}

DetectionScene scene_of(const Image<float>& image, const target::Detection* detection) {
  return {.name = "grid.1001.exr",
          .luma = image.view(),
          .chart = chart_of(target::ChartKind::kCheckerboard),
          .detection = detection,
          .reason = ""};
}

/// Where two pictures differ within `reach` of a place: the middle of it, and how much there is.
struct Difference {
  Point2d middle = {0.0, 0.0};
  double sum = 0.0;
};
Difference difference_near(const Image<float>& a,
                           const Image<float>& b,
                           const Point2d& place,
                           double reach) {
  Difference result;
  for (int y = 0; y < a.height(); ++y) {
    for (int x = 0; x < a.width(); ++x) {
      const Point2d p(x + 0.5, y + 0.5);
      if ((p - place).norm() > reach) continue;
      double size = 0.0;
      for (int c = 0; c < 3; ++c) size += std::abs(a.at(x, y, c) - b.at(x, y, c));
      result.middle += size * p;
      result.sum += size;
    }
  }
  if (result.sum > 0.0) result.middle /= result.sum;
  return result;
}

/// Relative luminance of a display-coded pixel; W3C, WCAG 2.1, "relative luminance" (from memory).
double luminance(const Image<float>& picture, int x, int y) {
  const auto linear = [](double v) {
    return v <= 0.03928 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4);
  };
  return 0.2126 * linear(picture.at(x, y, 0)) + 0.7152 * linear(picture.at(x, y, 1)) +
         0.0722 * linear(picture.at(x, y, 2));
}

double contrast(double a, double b) { return (std::max(a, b) + 0.05) / (std::min(a, b) + 0.05); }

}  // namespace

TEST_CASE("marks stand where the points are, at every size of the frame") {
  for (const int factor : {1, 2, 8}) {
    CAPTURE(factor);
    const Image<float> image = uniform(560 * factor, 400 * factor, 0.5F);
    const target::Detection none;
    target::Detection found = grid();
    for (target::Corner& corner : found.corners) corner.p_plate_px *= factor;
    const Image<float> with = draw::detection_picture(scene_of(image, &found));
    const Image<float> without = draw::detection_picture(scene_of(image, &none));
    const double scale = draw::detection_picture_scale(image.view().size());
    CHECK(std::max(with.width(), with.height()) <= draw::kLargestShownSide + 200);
    CHECK(scale == (factor == 1 ? 2.0 : factor == 2 ? 1.0 : 2048.0 / 4480.0));
    Point2d offset(0.0, 0.0);
    // Inner points, whose lines leave evenly on all sides; the first one has a square and an arrow.
    for (int row = 1; row + 1 < kRows; ++row) {
      for (int column = 1; column + 1 < kColumns; ++column) {
        const Point2d truth = place_px(column, row) * factor * scale;
        const Difference ring = difference_near(with, without, truth, factor == 8 ? 12.5 : 7.8);
        CHECK(ring.sum > 10.0);
        // The lines are cut off at whole pixels.
        CHECK((ring.middle - truth).norm() < 0.5);
        offset += (ring.middle - truth) / ((kRows - 2) * (kColumns - 2));
        // The pixel measured stays in sight.
        const int x = static_cast<int>(truth.x());
        const int y = static_cast<int>(truth.y());
        CHECK(with.at(x, y, 0) == without.at(x, y, 0));
      }
    }
    // Half a pixel, the slip of a wrong convention, would show.
    CHECK(offset.norm() < 0.12);
    // Far from the grid there is nothing.
    CHECK(difference_near(with, without, Point2d(530.0, 380.0) * factor * scale, 8.0).sum == 0.0);
  }
}

TEST_CASE("a wrong neighbour bends the lines") {
  const Image<float> image = uniform(560, 400, 0.5F);
  const target::Detection found = grid();
  target::Detection wrong = grid();
  std::swap(wrong.corners[10].p_plate_px, wrong.corners[11].p_plate_px);
  const Image<float> right_picture = draw::detection_picture(scene_of(image, &found));
  const Image<float> wrong_picture = draw::detection_picture(scene_of(image, &wrong));
  // Between rows the column lines of the two now cross.
  const Point2d between =
      0.25 * (place_px(3, 0) + place_px(4, 0) + place_px(3, 1) + place_px(4, 1));
  CHECK(difference_near(right_picture, wrong_picture, 2.0 * between, 30.0).sum > 10.0);
}

TEST_CASE("left-out points, gaps and the first point differ in shape, not in colour alone") {
  const Image<float> image = uniform(560, 400, 0.5F);
  target::Detection found = grid();
  found.corners.erase(found.corners.begin() + 17);  // column 3, row 2
  found.dropped_px = {{520.0, 370.0}};
  found.num_dropped_corners = 1;
  found.num_dropped_pieces = 1;
  const target::Detection none;
  const Image<float> with = draw::detection_picture(scene_of(image, &found));
  const Image<float> without = draw::detection_picture(scene_of(image, &none));
  const auto marked = [&](const Point2d& p) {
    const int x = static_cast<int>(p.x());
    const int y = static_cast<int>(p.y());
    return with.at(x, y, 0) != without.at(x, y, 0);
  };
  // A cross is filled in its middle, a ring is not.
  CHECK(marked(2.0 * found.dropped_px[0]));
  CHECK_FALSE(marked(2.0 * place_px(1, 1)));
  // The line across the gap is broken, others are not.
  const auto share_of_line = [&](const Point2d& from, const Point2d& to) {
    int count = 0;
    for (int i = 0; i < 100; ++i) {
      if (marked(2.0 * (from + (0.2 + 0.006 * i) * (to - from)))) ++count;
    }
    return count;
  };
  CHECK(share_of_line(place_px(2, 1), place_px(3, 1)) == 100);
  const int dashed = share_of_line(place_px(2, 2), place_px(4, 2));
  CHECK(dashed > 30);
  CHECK(dashed < 80);
  // Corners of the square around the first point.
  CHECK(marked(2.0 * place_px(0, 0) + Point2d(9.0, 9.0)));
  CHECK_FALSE(marked(2.0 * place_px(1, 1) + Point2d(9.0, 9.0)));
}

TEST_CASE("marks show on every grey") {
  // Graphics need a contrast of 3:1 to what is beside them: W3C, WCAG 2.1, criterion 1.4.11.
  constexpr double kWanted = 3.0;
  for (const float level : {0.0F, 0.5F, 1.0F}) {
    CAPTURE(level);
    // Two levels, so that the picture spans its whole range of greys, with the points on one.
    Image<float> image = uniform(560, 400, level);
    for (int y = 0; y < 400; ++y) {
      for (int x = 0; x < 560; ++x) {
        if ((x / 8 + y / 8) % 8 == 0) image.at(x, y) = 1.0F - level;
      }
    }
    const target::Detection found = grid();
    const target::Detection none;
    const Image<float> with = draw::detection_picture(scene_of(image, &found));
    const Image<float> without = draw::detection_picture(scene_of(image, &none));
    const Point2d middle = 2.0 * place_px(2, 2);
    double darkest = 1.0;
    double lightest = 0.0;
    for (int y = -12; y <= 12; ++y) {
      for (int x = -12; x <= 12; ++x) {
        const double value =
            luminance(with, static_cast<int>(middle.x()) + x, static_cast<int>(middle.y()) + y);
        darkest = std::min(darkest, value);
        lightest = std::max(lightest, value);
      }
    }
    const double ground =
        luminance(without, static_cast<int>(middle.x()) + 2, static_cast<int>(middle.y()) + 2);
    CHECK(std::max(contrast(lightest, ground), contrast(darkest, ground)) > kWanted);
    CHECK(contrast(lightest, darkest) > kWanted);
  }
}

TEST_CASE("linear, HDR and negative pictures are shown with their middle in sight") {
  // A ramp in linear light from 0.01 to 40 with a lamp a thousand times as bright.
  Image<float> image(600, 400, 1);
  for (int y = 0; y < 400; ++y) {
    for (int x = 0; x < 600; ++x) image.at(x, y) = 0.01F * std::pow(4000.0F, x / 600.0F);
  }
  for (int i = 0; i < 20; ++i) image.at(590, 200 + i) = 40'000.0F;
  image.at(3, 3) = std::numeric_limits<float>::quiet_NaN();
  image.at(5, 3) = -std::numeric_limits<float>::infinity();
  const target::Detection none;
  const Image<float> picture = draw::detection_picture(scene_of(image, &none));
  const auto grey = [&](int x) { return picture.at(2 * x, 400, 0); };
  CHECK(grey(10) < 0.2F);
  CHECK(grey(450) > 0.35F);
  CHECK(grey(450) < 0.75F);
  CHECK(grey(585) > 0.75F);
  for (int x = 20; x < 580; x += 20) CHECK(grey(x) >= grey(x - 20));
  for (int y = 0; y < picture.height(); ++y) {
    for (int x = 0; x < 3 * picture.width(); ++x) {
      REQUIRE((picture.row(y)[x] >= 0.0F && picture.row(y)[x] <= 1.0F));
    }
  }
}

TEST_CASE("frames without a chart, unread ones and odd ones have their picture") {
  const Image<float> image = uniform(560, 400, 0.5F);
  DetectionScene scene = scene_of(image, nullptr);
  const Image<float> plain = draw::detection_picture(scene);
  scene.reason = "found 6 of 54 corners, need 54 (9x6)";
  const Image<float> with_reason = draw::detection_picture(scene);
  CHECK(difference_near(plain, with_reason, Point2d(200.0, 60.0), 60.0).sum > 10.0);

  DetectionScene unread{.name = "gone.exr", .luma = {}, .chart = scene.chart};
  unread.reason = std::string(5000, 'x').append("\xff\xfe damaged \x1b[31m");
  CHECK(draw::detection_picture(unread).width() >= 720);

  // Staggered dots, one point alone, points outside the frame, frames of extreme shape.
  target::Detection found;
  for (int row = 0; row < 4; ++row) {
    for (int column = 0; column < 4; ++column) {
      const Eigen::Vector3d p_chart_mm(
          kPitchMm * (2 * column + row % 2) / 2.0, kPitchMm * row / 2.0, 0.0);
      found.corners.push_back({.p_chart_mm = p_chart_mm, .p_plate_px = 8.0 * p_chart_mm.head<2>()});
    }
  }
  scene.chart.kind = target::ChartKind::kDotsStaggered;
  scene.detection = &found;
  CHECK(draw::detection_picture(scene).width() == 1120);
  found.corners.resize(1);
  found.corners[0].p_plate_px = {-500.0, 9000.0};
  CHECK(draw::detection_picture(scene).width() == 1120);
  const Image<float> strip = uniform(9000, 32, 0.5F);
  scene.luma = strip.view();
  CHECK(draw::detection_picture(scene).width() == draw::kLargestShownSide);
  const Image<float> tower = uniform(32, 9000, 0.5F);
  scene.luma = tower.view();
  CHECK(draw::detection_picture(scene).width() == 720);
}
