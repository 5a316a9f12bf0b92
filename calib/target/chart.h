#pragma once

#include <array>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"

namespace trueplate::target {

enum class ChartKind {
  kCheckerboard,
  kLines,          // dark lines on light or the reverse, crossing at right angles
  kDots,           // discs in columns and rows
  kDotsStaggered,  // discs in rows, every second row moved by half a pitch
  kCoded,          // checkerboard whose light squares carry markers that tell the place
};

inline constexpr std::array kChartKinds = {ChartKind::kCheckerboard,
                                           ChartKind::kLines,
                                           ChartKind::kDots,
                                           ChartKind::kDotsStaggered,
                                           ChartKind::kCoded};

/// A printed pattern. Chart coordinates are in mm in the plane of the print, x along a row, y along
/// a column, z = 0. The corner, crossing or dot in column i and row j lies at (i, j) * pitch_mm; of
/// staggered dots at ((2 i + j % 2) * pitch_mm / 2, j * pitch_mm / 2), so that the nearest dots
/// stand on the diagonals. Along y the pitch is pitch_y_mm where that is given: printers stretch.
struct Chart {
  ChartKind kind = ChartKind::kCheckerboard;
  double pitch_mm = 0.0;  // side of one square; of lines or dots the distance along a row
  int columns = 0;        // inner corners, crossings or dots along x; 0 with rows = 0: not known
  int rows = 0;           // the same along y
  /// 0: as pitch_mm. Detectors need not know it: whoever calls them scales y afterwards.
  double pitch_y_mm = 0.0;

  [[nodiscard]] Point2d pitch_xy_mm() const {
    return {pitch_mm, pitch_y_mm > 0.0 ? pitch_y_mm : pitch_mm};
  }
  [[nodiscard]] bool grid_known() const { return columns != 0 || rows != 0; }
};

/// The kind's name on the command line and in files: "checkerboard", "lines", "dots",
/// "dots-staggered", "coded".
[[nodiscard]] std::string_view chart_kind_name(ChartKind kind);
[[nodiscard]] std::optional<ChartKind> chart_kind_from_name(std::string_view name);

}  // namespace trueplate::target
