#pragma once

#include <limits>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/target/detail/pixel_fit.h"

namespace trueplate::target::detail {

/// A parallelogram in an image, about where two edges or lines cross.
struct PixelWindow {
  Point2d center_px = {0.0, 0.0};
  double angle_u = 0.0;  // of its sides, rad, x right and y down
  double angle_v = 0.0;
  double reach_u_px = 0.0;  // half-lengths of its sides
  double reach_v_px = 0.0;
  /// Weights also fall off with the distance from the nearer of the two lines, along the other: a
  /// cross along both. Infinity: the whole parallelogram.
  double clear_u_px = std::numeric_limits<double>::infinity();
  double clear_v_px = std::numeric_limits<double>::infinity();
};

/// The pixels of a window that are finite, placed relative to `origin_px`; their weights fall off
/// smoothly towards the window's border. Of a window of more pixels than `most` (0: all) every
/// second one both ways, or fewer.
std::vector<FitPixel> pixels_in(ImageView<const float> image,
                                const PixelWindow& window,
                                const Point2d& origin_px,
                                int most = 0,
                                double blur_px = 0.0);

}  // namespace trueplate::target::detail
