#pragma once

#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::plate {

struct EdgeOptions {
  /// Standard deviation of the Gaussian whose derivatives are the gradient. Together with the
  /// blur of the picture it decides how near two edges may be: both sides of a painted line are
  /// measured without disturbing each other when it is wider than about 4 px.
  double scale_px = 1.5;
  /// Edges count whose step is at least this share of the picture's range (from the 1st to the 99th
  /// percentile), and four times the noise.
  double least_contrast = 0.03;
  /// Shorter chains say nothing about a lens. 0: a twentieth of the picture's longer side.
  double least_length_px = 0.0;
};

/// Edges of a picture that may be images of straight ones, longest first: smooth and without
/// corners; whether they are straight in the world is for fit_lens_to_lines() to tell.
///
/// Points in pixels of the picture, the centre of pixel i at i + 0.5, some 2 px apart, in order
/// along the edge with the brighter side on the left of the way (as seen with y down: at
/// (way.y, -way.x)). The position is the maximum of the gradient along its own direction, from a
/// parabola through the logarithm of three samples: exact for the image of a step edge through any
/// Gaussian blur. A bent edge of radius R lies s^2 / (2 R) too far inside for a total blur s.
///
/// Method: J. Canny, A Computational Approach to Edge Detection, PAMI 8(6), 1986; linking after
/// F. Devernay, A Non-Maxima Suppression Method for Edge Detection with Sub-Pixel Accuracy, INRIA
/// RR-2724, 1995 (both from memory). Chains are cut where they turn, and where a cubic no longer
/// follows them; pieces that continue each other within their noise are joined across gaps.
///
/// luma   one channel of any range; NaN where there is no pixel
/// Empty for a picture without edges or smaller than 16 pixels a side. Pure; safe from any thread.
[[nodiscard]] std::vector<std::vector<Point2d>> find_edge_chains(ImageView<const float> luma,
                                                                 const EdgeOptions& options = {});

}  // namespace trueplate::plate
