#include "charts/draw/detail/strokes.h"

#include <algorithm>
#include <cmath>
#include <utility>

namespace trueplate::draw::detail {
namespace {

void add_piece(std::vector<Shape>& shapes, const Point2d& from, const Point2d& to, double width) {
  const Point2d along = (to - from).normalized();
  const Point2d half = 0.5 * width * Point2d(-along.y(), along.x());
  Polygon piece;
  piece.corners = {from + half, to + half, to - half, from - half};
  shapes.emplace_back(std::move(piece));
}

}  // namespace

void add_line(std::vector<Shape>& shapes, std::span<const Point2d> points, const Pen& pen) {
  double along = 0.0;  // of the line, for the dashes
  for (std::size_t i = 1; i < points.size(); ++i) {
    const Point2d& from = points[i - 1];
    const Point2d& to = points[i];
    const double length = (to - from).norm();
    if (!std::isfinite(length) || !(length > 0.0)) continue;
    if (pen.dash <= 0.0) {
      add_piece(shapes, from, to, pen.width);
      shapes.emplace_back(Disc{to, 0.5 * pen.width});
      continue;
    }
    for (double at = 0.0; at < length;) {
      const double phase = std::fmod(along + at, 2.0 * pen.dash);
      const bool on = phase < pen.dash;
      // Never less than a hundredth of a dash, so that rounding cannot stand still.
      const double rest = std::max((on ? pen.dash : 2.0 * pen.dash) - phase, 0.01 * pen.dash);
      const double end = std::min(length, at + rest);
      if (on)
        add_piece(shapes,
                  from + (to - from) * (at / length),
                  from + (to - from) * (end / length),
                  pen.width);
      at = end;
    }
    along += length;
  }
}

}  // namespace trueplate::draw::detail
