#include "warp/detail/map_slopes.h"

#include <algorithm>

namespace trueplate::warp::detail {
namespace {

/// (b - a) / steps, or `otherwise` where there is no number.
Point2d slope(const Point2d& a, const Point2d& b, int steps, const Point2d& otherwise) {
  if (steps == 0) return otherwise;
  const Point2d difference = (b - a) / steps;
  return difference.allFinite() ? difference : otherwise;
}

}  // namespace

Slopes slopes_at(const ScaledMap& map, int i, int j) {
  const int width = map.map.st.width();
  const int height = map.map.st.height();
  const Point2d here = map.position(i, j);
  const auto place = [&](int column, int row, int& steps) {
    column = std::clamp(column, 0, width - 1);
    row = std::clamp(row, 0, height - 1);
    const Point2d there = map.position(column, row);
    steps = there.allFinite() ? std::abs(column - i) + std::abs(row - j) : 0;
    return steps > 0 ? there : here;
  };
  int before = 0;
  int after = 0;
  const Point2d left = place(i - 1, j, before);
  const Point2d right = place(i + 1, j, after);
  const Point2d by_column = slope(left, right, before + after, {1.0, 0.0});
  const Point2d above = place(i, j - 1, before);
  const Point2d below = place(i, j + 1, after);
  const Point2d by_row = slope(above, below, before + after, {0.0, 1.0});
  return {by_column.x(), by_row.x(), by_column.y(), by_row.y()};
}

}  // namespace trueplate::warp::detail
