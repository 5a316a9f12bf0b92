#pragma once

#include <Eigen/Core>
#include <cstdint>
#include <functional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::tests {

/// What is printed. The unit of the chart is its pitch: one square, the distance of two lines or of
/// two dots in a row. Staggered dots stand at ((2 column + row % 2) / 2, row / 2). A coded chart is
/// a checkerboard with markers in its light squares as docs/chart-format.md describes them; their
/// modules come from OpenCV.
enum class Pattern { kCheckerboard, kLines, kDots, kDotsStaggered, kCoded };

/// Where the chart is. Its unit is one square, its middle lies on the line of sight that meets the
/// plate at `middle_px`; the rotations are applied in the order roll, tilt_x, tilt_y, about the
/// chart's middle.
struct ChartPose {
  double focal_px = 900.0;
  Point2d middle_px = {480.0, 320.0};
  double square_px = 50.0;  // of a square that faces the camera
  double tilt_x_deg = 0.0;  // about the horizontal
  double tilt_y_deg = 0.0;  // about the vertical
  double roll_deg = 0.0;
};

/// Something in front of the chart: a rectangle of the plate.
struct Cover {
  double x = 0.0;
  double y = 0.0;
  double width = 0.0;
  double height = 0.0;
  double value = 0.3;
};

/// A photograph of a chart with known corners. Uses nothing of the project but its image
/// type: a sample of the plate is traced back through the inverse of the distortion (Newton on the
/// radius) and of the homography to the chart, whose edges are drawn with the coverage of a
/// sample; the samples are convolved with Gaussian and pixel area in one step.
struct ChartScene {
  int width = 960;
  int height = 640;
  Pattern pattern = Pattern::kCheckerboard;
  int columns = 12;  // inner corners, crossings of lines, dots
  int rows = 8;
  double mark = 0.3;  // diameter of a dot or width of a line, share of the pitch
  ChartPose pose;
  double k1 = 0.0;  // r_distorted = r (1 + k1 r^2 + k2 r^4), r of z = 1, about the plate's middle
  double k2 = 0.0;
  /// Instead of k1 and k2, when set: the image of a radius of z = 1; must grow with it.
  std::function<double(double)> radial = {};
  double squeeze = 1.0;         // the plate is this much narrower than the scene
  double blur_px = 1.0;         // standard deviation of the Gaussian, pixel area not included; > 0
  double corner_blur_px = 0.0;  // in the plate's corners when > 0: its share there grows with r^2
  double dark = 0.1;            // of squares, lines and dots; a corner's first square is dark
  double light = 0.9;           // of squares and margin
  double surround = 0.45;       // beyond the margin, which is one square wide
  double vignetting = 0.0;      // share of light lost in the plate's corners
  double noise = 0.0;           // standard deviation, same unit as dark and light
  int bits = 0;                 // rounds 0..1 to this many bits; 0 leaves the numbers alone
  std::uint32_t seed = 1;
  int samples = 4;  // per pixel side
  std::vector<Cover> covers = {};
};

struct RenderedChart {
  Image<float> image;
  std::vector<Point2d> corners_px;  // the truth, row by row; centre of pixel i at i + 0.5
};

/// Where a point of the chart, in pitches from its first mark, is seen.
Point2d image_of(const ChartScene& scene, const Point2d& p_chart);

RenderedChart render_chart(const ChartScene& scene);

}  // namespace trueplate::tests
