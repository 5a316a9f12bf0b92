#pragma once

#include <Eigen/Geometry>
#include <cstdint>
#include <optional>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "calib/target/chart.h"
#include "calib/target/view.h"

namespace trueplate::synth {

/// Largest side of a chart that can be rendered, in inner corners.
inline constexpr int kMaxChartCorners = 1000;
inline constexpr double kMaxBlurSigmaPx = 100.0;

/// Largest error, in plate pixels, of the places where the edges of the squares are drawn, for
/// lenses as strong as those of the demo. The inverse lens is solved exactly at the corners of
/// every pixel and interpolated to second order inside it; the printed lines are straight inside
/// one cell.
inline constexpr double kEdgeTolerancePx = 1e-5;

/// What the board and the room look like, in scene-linear values (1 = full scale).
struct ChartLook {
  double border_squares = 1.0;  // white margin around the squares, in squares, >= 0
  double white = 0.78;
  double black = 0.045;
  double surroundings = 0.17;
  double surroundings_gradient = 0.35;  // relative change from the top to the bottom of the plate
};

struct ChartFootageOptions {
  ChartLook look = {};
  /// Standard deviation of the Gaussian blur of lens and focus, in plate pixels, 0 to
  /// kMaxBlurSigmaPx. It comes on top of the integration over the area of each pixel.
  double blur_sigma_px = 0.7;
  double noise_sigma = 0.0;  // standard deviation of the sensor noise, scene-linear
  std::uint64_t seed = 1;    // of the noise; the same seed gives the same bits
  /// Share of the light lost at the corner of the plate farthest from its centre, 0 to 1, growing
  /// with the square of the distance.
  double vignetting = 0.0;
  /// Share of the light lost from the left edge of the plate to the right one, -1 to 1.
  double light_slope = 0.0;
  int threads = 0;  // 0 = all cores
};

struct ChartFootage {
  /// One channel, scene-linear, of the lens's plate size. Black where the lens has no inverse.
  Image<float> luminance;
  /// One channel: the share of the pixel's light that the lens can trace back, 1 everywhere for a
  /// lens that is invertible over the plate (and three blur sigmas beyond it).
  Image<float> alpha;
  /// The inner corners whose exact projection lies on the plate. `frame` is left empty.
  target::View truth;
};

/// Photographs a checkerboard through `lens`.
///
/// The board is a plane with inner corners, border and plain surroundings; its squares alternate,
/// black in the top-left one. Each pixel is integrated over its area: the edges of the squares are
/// cut out of the pixel as polygons, so that a pixel is right to rounding and not to a number of
/// samples. Blur is applied at 1 to 6 cells per pixel, depending on its size, before the
/// cells are gathered into pixels, then light and noise follow at pixel resolution.
///
/// camera_from_chart   mm; camera x right, y down, z along the view. The print is seen from the
///                     side on which z of the chart is negative; from behind it is plain white and
///                     has no corners. A board behind the camera is not seen.
/// errors              kInvalidInput for a lens that does not validate, a chart without squares or
///                     with more than kMaxChartCorners a side, a pose that is not a finite rigid
///                     motion, an option out of range
/// The same bits for every number of threads. Uses lens::undistort_row and nothing of warp or fit.
Result<ChartFootage> render_chart(const lens::Lens& lens,
                                  const target::Chart& chart,
                                  const Eigen::Isometry3d& camera_from_chart,
                                  const ChartFootageOptions& options = {});

/// Exact plate position of every inner corner, row by row (index j * columns + i): distort_px of
/// its pinhole image. nullopt behind the camera, outside the lens's domain and when the board is
/// seen from behind; positions outside the plate are given.
[[nodiscard]] std::vector<std::optional<Point2d>> project_corners(
    const lens::Lens& lens, const target::Chart& chart, const Eigen::Isometry3d& camera_from_chart);

}  // namespace trueplate::synth
