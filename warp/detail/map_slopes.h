#pragma once

#include "calib/base/geometry.h"
#include "warp/detail/resample_row.h"
#include "warp/st_map.h"

namespace trueplate::warp::detail {

/// A map and how its values become positions in the source.
struct ScaledMap {
  const StMap& map;
  StScale scale;

  /// Where the output pixel (i, j) looks, in source pixels from the top-left corner of the display
  /// window. NaN: nowhere.
  [[nodiscard]] Point2d position(int i, int j) const {
    const float* st = map.st.row(j) + 2 * static_cast<std::ptrdiff_t>(i);
    return {st[0] * scale.s_scale, st[1] * scale.t_scale + scale.t_offset};
  }
};

[[nodiscard]] inline ScaledMap scaled_map(const StMap& map) {
  return {map, st_scale(map.source_display.size(), map.t_origin)};
}

/// Source pixels a step of one output pixel: d(x, y) / d(column, row).
struct Slopes {
  double x_by_column = 1.0;
  double x_by_row = 0.0;
  double y_by_column = 0.0;
  double y_by_row = 1.0;
};

/// The slopes at an output pixel from half the difference of its neighbours, at an edge of the map
/// or beside NaN from the one neighbour there is; without any those of the identity. The third
/// derivative of a lens map leaves an error below 1e-4; rounding of a map to float about as much.
[[nodiscard]] Slopes slopes_at(const ScaledMap& map, int i, int j);

}  // namespace trueplate::warp::detail
