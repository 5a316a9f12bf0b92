#pragma once

#include <Eigen/Core>
#include <optional>

#include "calib/base/geometry.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// What a map says at a place between its pixels.
struct MapSample {
  Point2d position_px;    // in the source, from the top-left corner of its display window
  Eigen::Matrix2d slope;  // derivatives of the position by the place, column by column
};

/// An ST-map as a continuous field: cubic through the 4 x 4 pixels about a place, which are shifted
/// inwards at the edge of the map; where one of them has no source, linear through 2 x 2. The error
/// is that of the map's own rounding to float for fields as smooth as those of lenses. The map has
/// to be valid and to outlive the field. Safe from any thread.
class MapField {
 public:
  explicit MapField(const StMap& map);

  /// p_output_px   in the output, from the top-left corner of its display window
  /// returns       nullopt where there is no source, and more than half a pixel beyond the centres
  ///               of the outermost pixels of the data window
  [[nodiscard]] std::optional<MapSample> at(const Point2d& p_output_px) const;

 private:
  /// The weights of the pixels first .. first + 3 at a place along one axis, and of its slope.
  struct Stencil {
    int first = 0;
    int count = 0;
    double weight[4] = {};
    double slope[4] = {};
  };
  [[nodiscard]] static Stencil cubic(double place, int size);
  [[nodiscard]] static Stencil linear(double place, int size);
  [[nodiscard]] std::optional<MapSample> sample(const Stencil& columns, const Stencil& rows) const;

  const StMap& map_;
};

}  // namespace trueplate::warp
