#include "warp/map_field.h"

#include <algorithm>
#include <cmath>

namespace trueplate::warp {

MapField::MapField(const StMap& map) : map_(map) {}

MapField::Stencil MapField::cubic(double place, int size) {
  Stencil stencil;
  stencil.count = std::min(size, 4);
  stencil.first = std::clamp(static_cast<int>(std::floor(place)) - 1, 0, size - stencil.count);
  const double x = place - stencil.first;
  // Lagrange's polynomials of the nodes 0 .. count - 1, and their derivatives.
  for (int k = 0; k < stencil.count; ++k) {
    double weight = 1.0;
    double slope = 0.0;
    for (int j = 0; j < stencil.count; ++j) {
      if (j == k) continue;
      const double scale = 1.0 / (k - j);
      slope = (slope * (x - j) + weight) * scale;
      weight *= (x - j) * scale;
    }
    stencil.weight[k] = weight;
    stencil.slope[k] = slope;
  }
  return stencil;
}

MapField::Stencil MapField::linear(double place, int size) {
  Stencil stencil;
  stencil.count = std::min(size, 2);
  stencil.first = std::clamp(static_cast<int>(std::floor(place)), 0, size - stencil.count);
  if (stencil.count == 1) {
    stencil.weight[0] = 1.0;
    return stencil;
  }
  const double x = place - stencil.first;
  stencil.weight[0] = 1.0 - x;
  stencil.weight[1] = x;
  stencil.slope[0] = -1.0;
  stencil.slope[1] = 1.0;
  return stencil;
}

std::optional<MapSample> MapField::sample(const Stencil& columns, const Stencil& rows) const {
  Point2d st = Point2d::Zero();
  Eigen::Matrix2d slope = Eigen::Matrix2d::Zero();
  for (int j = 0; j < rows.count; ++j) {
    const float* value = map_.st.row(rows.first + j) + std::ptrdiff_t{2} * columns.first;
    Point2d along = Point2d::Zero();
    Point2d along_slope = Point2d::Zero();
    for (int i = 0; i < columns.count; ++i, value += 2) {
      const Point2d pixel(value[0], value[1]);
      along += columns.weight[i] * pixel;
      along_slope += columns.slope[i] * pixel;
    }
    st += rows.weight[j] * along;
    slope.col(0) += rows.weight[j] * along_slope;
    slope.col(1) += rows.slope[j] * along;
  }
  if (!st.allFinite()) return std::nullopt;
  const ImageSize source = map_.source_display.size();
  slope.row(0) *= source.width;
  slope.row(1) *= map_.t_origin == TOrigin::kTopLeft ? source.height : -source.height;
  return MapSample{position_from_st(st, source, map_.t_origin), slope};
}

std::optional<MapSample> MapField::at(const Point2d& p_output_px) const {
  const Window& data = map_.output.data;
  const double x = p_output_px.x() + map_.output.display.x - data.x - 0.5;
  const double y = p_output_px.y() + map_.output.display.y - data.y - 0.5;
  // Written so that NaN is outside.
  if (!(x >= -0.5 && x <= data.width - 0.5 && y >= -0.5 && y <= data.height - 0.5)) {
    return std::nullopt;
  }
  if (std::optional<MapSample> smooth = sample(cubic(x, data.width), cubic(y, data.height))) {
    return smooth;
  }
  return sample(linear(x, data.width), linear(y, data.height));
}

}  // namespace trueplate::warp
