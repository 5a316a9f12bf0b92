#include "charts/draw/detail/pattern.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "calib/target/coded_layout.h"
#include "calib/target/coded_markers.h"

namespace trueplate::draw::detail {
namespace {

using target::ChartKind;
using target::ChartSquare;

// Half of the diagonal of the centre mark's diamonds, as a share of the pitch: small enough that
// they stay clear of a corner's window.
constexpr double kDiamondShare = 0.1;
// Diameter of the hole in a dot, as a share of the dot's.
constexpr double kHoleShare = 0.3;

Point2d scaled(const Point2d& p, double x, double y) { return {p.x() * x, p.y() * y}; }

Box square_box(const Pattern& pattern, ChartSquare square) {
  const Point2d low = pattern.origin + scaled(pattern.pitch, square.column - 1, square.row - 1);
  return {low, low + pattern.pitch};
}

void add_squares(const Pattern& pattern, std::vector<Shape>& shapes) {
  for (int j = 0; j <= pattern.rows; ++j) {
    for (int i = 0; i <= pattern.columns; ++i) {
      if (!target::is_light_square({i, j})) shapes.emplace_back(square_box(pattern, {i, j}));
    }
  }
}

void add_markers(const Pattern& pattern, std::vector<Shape>& shapes) {
  constexpr int kMargin = (target::kCodedModulesPerSquare - target::kCodedMarkerModules) / 2;
  const std::vector<target::MarkerModules> markers =
      target::coded_markers(target::kCodedIdsPerRow * (pattern.rows + 1));
  const Point2d module = pattern.pitch / target::kCodedModulesPerSquare;
  for (int j = 0; j <= pattern.rows; ++j) {
    for (int i = 0; i <= pattern.columns; ++i) {
      if (!target::is_light_square({i, j})) continue;
      const auto id = static_cast<std::size_t>(target::coded_marker_id({i, j}));
      const Point2d low = square_box(pattern, {i, j}).low + kMargin * module;
      Region region;
      for (int y = 0; y < target::kCodedMarkerModules; ++y) {
        const auto& row = markers[id][static_cast<std::size_t>(y)];
        for (int x = 0; x < target::kCodedMarkerModules;) {
          int end = x;
          while (end < target::kCodedMarkerModules && row[static_cast<std::size_t>(end)]) ++end;
          if (end > x) {
            region.boxes.push_back(
                {low + scaled(module, x, y), low + scaled(module, end, y + 1), Shade::kDark});
          }
          x = std::max(end, x + 1);
        }
      }
      shapes.emplace_back(std::move(region));
    }
  }
}

void add_lines(const Pattern& pattern, std::vector<Shape>& shapes) {
  const Box box = pattern.box();
  const double half = 0.5 * pattern.line_width;
  Region region;
  for (int i = 0; i < pattern.columns; ++i) {
    const double x = pattern.point(i, 0).x();
    region.boxes.push_back({{x - half, box.low.y()}, {x + half, box.high.y()}});
  }
  for (int j = 0; j < pattern.rows; ++j) {
    const double y = pattern.point(0, j).y();
    region.boxes.push_back({{box.low.x(), y - half}, {box.high.x(), y + half}});
  }
  shapes.emplace_back(std::move(region));
}

void add_dots(const Pattern& pattern, std::vector<Shape>& shapes) {
  const Point2d center = pattern.center();
  double nearest = std::numeric_limits<double>::infinity();
  for (int j = 0; j < pattern.rows; ++j) {
    for (int i = 0; i < pattern.columns; ++i) {
      nearest = std::min(nearest, (pattern.point(i, j) - center).norm());
    }
  }
  const double radius = 0.5 * pattern.dot_diameter;
  for (int j = 0; j < pattern.rows; ++j) {
    for (int i = 0; i < pattern.columns; ++i) {
      const Point2d p = pattern.point(i, j);
      shapes.emplace_back(Disc{p, radius, Shade::kDark});
      // A hole in the middle of the dots next to the centre leaves edge and centroid where they
      // are.
      if ((p - center).norm() < nearest + 1e-6 * pattern.pitch.x()) {
        shapes.emplace_back(Disc{p, kHoleShare * radius, Shade::kLight});
      }
    }
  }
}

Shape diamond(const Point2d& middle, const Point2d& pitch, Shade shade) {
  const double x = kDiamondShare * pitch.x();
  const double y = kDiamondShare * pitch.y();
  return Polygon{{middle + Point2d(0, -y),
                  middle + Point2d(x, 0),
                  middle + Point2d(0, y),
                  middle + Point2d(-x, 0)},
                 shade};
}

/// A triangle in the middle of a cell that points along `direction` (a unit vector on one axis).
Shape pointer(const Point2d& middle, const Point2d& pitch, const Point2d& direction, Shade shade) {
  const Point2d along = kDiamondShare * pitch.cwiseProduct(direction);
  const Point2d across = kDiamondShare * pitch.cwiseProduct(Point2d(direction.y(), direction.x()));
  return Polygon{{middle + along, middle - along + across, middle - along - across}, shade};
}

/// Diamonds in the one, two or four cells that touch the centre. A coded chart has room only in its
/// dark squares: there a diamond in the dark ones of four; in one of two a pointer to the edge it
/// shares with the other; around a lone light square four pointers to it.
void add_center_of_cells(const Pattern& pattern, std::vector<Shape>& shapes) {
  const bool coded = pattern.kind == ChartKind::kCoded;
  const bool board = is_board(pattern.kind);
  const Point2d center = pattern.center();
  // Cells (i, j) have their middle at point (i - 1/2, j - 1/2), as the squares of a board.
  const auto cells_along = [](int points) {
    // An odd number of points has one at the centre, hence two cells beside it.
    return points % 2 != 0 ? std::vector<int>{points / 2, points / 2 + 1}
                           : std::vector<int>{points / 2};
  };
  const std::vector<int> columns = cells_along(pattern.columns);
  const std::vector<int> rows = cells_along(pattern.rows);
  const auto middle = [&](int i, int j) -> Point2d {
    return pattern.origin + scaled(pattern.pitch, i - 0.5, j - 0.5);
  };
  const bool lone_light_square = coded && columns.size() == 1 && rows.size() == 1 &&
                                 target::is_light_square({columns[0], rows[0]});
  if (lone_light_square) {
    constexpr std::array<std::pair<int, int>, 4> kSides{{{1, 0}, {-1, 0}, {0, 1}, {0, -1}}};
    for (const auto& [dx, dy] : kSides) {
      shapes.push_back(pointer(
          middle(columns[0] + dx, rows[0] + dy), pattern.pitch, Point2d(-dx, -dy), Shade::kLight));
    }
    return;
  }
  for (const int j : rows) {
    for (const int i : columns) {
      const bool light = !board || target::is_light_square({i, j});
      if (coded && light) continue;
      const Shade shade = light ? Shade::kDark : Shade::kLight;
      if (coded && columns.size() + rows.size() == 3) {
        const Point2d towards = (center - middle(i, j)).normalized();
        shapes.push_back(pointer(middle(i, j), pattern.pitch, towards, shade));
      } else {
        shapes.push_back(diamond(middle(i, j), pattern.pitch, shade));
      }
    }
  }
}

}  // namespace

bool is_board(ChartKind kind) {
  return kind == ChartKind::kCheckerboard || kind == ChartKind::kCoded;
}

bool has_dots(ChartKind kind) {
  return kind == ChartKind::kDots || kind == ChartKind::kDotsStaggered;
}

Point2d Pattern::point(double column, int row) const {
  if (kind == ChartKind::kDotsStaggered) {
    return origin + scaled(pitch, column + 0.5 * (row % 2), 0.5 * row);
  }
  return origin + scaled(pitch, column, row);
}

Point2d Pattern::lead() const {
  switch (kind) {
    case ChartKind::kCheckerboard:
    case ChartKind::kCoded:
      return pitch;
    case ChartKind::kLines:
      return line_overrun;
    case ChartKind::kDots:
    case ChartKind::kDotsStaggered:
      return {0.5 * dot_diameter, 0.5 * dot_diameter};
  }
  return pitch;
}

Point2d Pattern::size() const {
  switch (kind) {
    case ChartKind::kCheckerboard:
    case ChartKind::kCoded:
      return scaled(pitch, columns + 1, rows + 1);
    case ChartKind::kLines:
      return scaled(pitch, columns - 1, rows - 1) + 2.0 * line_overrun;
    case ChartKind::kDots:
      return scaled(pitch, columns - 1, rows - 1) + Point2d(dot_diameter, dot_diameter);
    case ChartKind::kDotsStaggered:
      return scaled(pitch, columns - 0.5, 0.5 * (rows - 1)) + Point2d(dot_diameter, dot_diameter);
  }
  return pitch;
}

Point2d Pattern::center() const {
  Point2d middle = origin - lead() + 0.5 * size();
  if (kind != ChartKind::kDotsStaggered || rows % 2 == 0) return middle;
  // The middle row of an odd number of rows has no dot in the middle, and none on both sides at the
  // same distance.
  const int row = rows / 2;
  const double column = (middle.x() - point(0, row).x()) / pitch.x();
  // Just below the middle between two dots counts as the lower one, whatever was rounded.
  return point(std::clamp(std::round(column - 1e-6), 0.0, columns - 1.0), row);
}

double points_that_fit(const Pattern& pattern, int axis, double room) {
  const double pitch = axis == 0 ? pattern.pitch.x() : pattern.pitch.y();
  const double line_overrun = axis == 0 ? pattern.line_overrun.x() : pattern.line_overrun.y();
  // A room that was made for n cells holds n, whatever was rounded.
  const auto whole = [](double ratio) { return std::floor(ratio + 1e-9); };
  switch (pattern.kind) {
    case ChartKind::kCheckerboard:
    case ChartKind::kCoded:
      return whole(room / pitch) - 1;
    case ChartKind::kLines:
      return whole((room - 2.0 * line_overrun) / pitch) + 1;
    case ChartKind::kDots:
      return whole((room - pattern.dot_diameter) / pitch) + 1;
    case ChartKind::kDotsStaggered:
      return axis == 0 ? whole((room - pattern.dot_diameter) / pitch + 0.5)
                       : whole(2.0 * (room - pattern.dot_diameter) / pitch) + 1;
  }
  return 0.0;
}

void add_pattern(const Pattern& pattern, std::vector<Shape>& shapes) {
  switch (pattern.kind) {
    case ChartKind::kCheckerboard:
      add_squares(pattern, shapes);
      break;
    case ChartKind::kCoded:
      add_squares(pattern, shapes);
      add_markers(pattern, shapes);
      break;
    case ChartKind::kLines:
      add_lines(pattern, shapes);
      break;
    case ChartKind::kDots:
    case ChartKind::kDotsStaggered:
      add_dots(pattern, shapes);
      return;
  }
  add_center_of_cells(pattern, shapes);
}

}  // namespace trueplate::draw::detail
