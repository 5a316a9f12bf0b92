#pragma once

#include <cstdint>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/plate/edge_chains.h"

namespace trueplate::plate::detail {

/// A place where the gradient is largest along its own direction.
struct EdgePoint {
  Point2d p_px = {0.0, 0.0};      // the centre of pixel i at i + 0.5
  Point2d gradient = {0.0, 0.0};  // towards the brighter side
  int x = 0;                      // the pixel it was found at
  int y = 0;
};

/// The edge points of a picture, row by row, and where they are.
struct EdgePoints {
  std::vector<EdgePoint> points;
  Image<std::int32_t> index;  // of the point found at a pixel; -1: none
};

[[nodiscard]] EdgePoints edge_points(ImageView<const float> luma, const EdgeOptions& options);

/// Linked edge points: each chain a list of places, in order, the brighter side on the left.
[[nodiscard]] std::vector<std::vector<Point2d>> linked(const EdgePoints& edges);

}  // namespace trueplate::plate::detail
