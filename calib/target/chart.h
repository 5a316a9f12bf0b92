#pragma once

#include <string_view>

#include "calib/base/geometry.h"

namespace trueplate::target {

enum class ChartKind { kCheckerboard };

/// A printed pattern. Chart coordinates are in mm in the plane of the print, x along a row, y along
/// a column, z = 0; the corner in column i and row j lies at (i, j) * pitch_mm.
struct Chart {
  ChartKind kind = ChartKind::kCheckerboard;
  double pitch_mm = 0.0;  // side of one square
  int columns = 0;        // inner corners along x; 0 with rows = 0: not known
  int rows = 0;           // inner corners along y
};

[[nodiscard]] std::string_view chart_kind_name(ChartKind kind);

}  // namespace trueplate::target
