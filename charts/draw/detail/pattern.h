#pragma once

#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "charts/draw/shapes.h"

namespace trueplate::draw::detail {

/// A chart's pattern in the unit of a drawing.
struct Pattern {
  target::ChartKind kind = target::ChartKind::kCheckerboard;
  int columns = 0;  // points of the chart: inner corners, crossings, dots
  int rows = 0;
  Point2d pitch = {0.0, 0.0};
  double line_width = 0.0;
  Point2d line_overrun = {0.0, 0.0};  // how far lines run past the outermost crossings
  double dot_diameter = 0.0;
  Point2d origin = {0.0, 0.0};  // where point (0, 0) lies on the sheet

  /// Where the point in this column and row lies on the sheet.
  [[nodiscard]] Point2d point(double column, int row) const;
  /// From the pattern's top-left edges to point (0, 0).
  [[nodiscard]] Point2d lead() const;
  [[nodiscard]] Point2d size() const;
  [[nodiscard]] Box box() const { return {origin - lead(), origin - lead() + size()}; }
  /// What the centre mark marks: the middle, or where staggered dots have nothing symmetric there,
  /// the dot next to it.
  [[nodiscard]] Point2d center() const;
};

[[nodiscard]] bool is_board(target::ChartKind kind);  // squares, coded or not
[[nodiscard]] bool has_dots(target::ChartKind kind);

/// How many points fit into `room` along one axis, as a number that may be absurd.
[[nodiscard]] double points_that_fit(const Pattern& pattern, int axis, double room);

/// The pattern's shapes, the centre mark among them. The mark stays in the middle of cells or dots
/// and is symmetric there, so it moves no corner, crossing or dot.
void add_pattern(const Pattern& pattern, std::vector<Shape>& shapes);

}  // namespace trueplate::draw::detail
