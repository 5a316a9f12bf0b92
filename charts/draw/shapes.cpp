#include "charts/draw/shapes.h"

#include <algorithm>

namespace trueplate::draw {
namespace {

struct BoundsOf {
  Box operator()(const Box& box) const { return box; }
  Box operator()(const Region& region) const {
    Box box = region.boxes.front();
    for (const Box& part : region.boxes) {
      box.low = box.low.cwiseMin(part.low);
      box.high = box.high.cwiseMax(part.high);
    }
    return box;
  }
  Box operator()(const Disc& disc) const {
    const Point2d reach(disc.radius, disc.radius);
    return {disc.center - reach, disc.center + reach};
  }
  Box operator()(const Polygon& polygon) const {
    Box box{polygon.corners.front(), polygon.corners.front()};
    for (const Point2d& corner : polygon.corners) {
      box.low = box.low.cwiseMin(corner);
      box.high = box.high.cwiseMax(corner);
    }
    return box;
  }
  Box operator()(const Text& text) const {
    // The widest letters are about as wide as the font's size.
    double length = text.size * static_cast<double>(text.words.size() + 1);
    if (text.max_length > 0.0) length = std::min(length, text.max_length + text.size);
    const double height = 1.5 * text.size;
    const Point2d reach =
        text.turn == TextTurn::kNone ? Point2d(length, height) : Point2d(height, length);
    return {text.place - reach, text.place + reach};
  }
};

}  // namespace

Box bounds(const Shape& shape) { return std::visit(BoundsOf{}, shape); }

}  // namespace trueplate::draw
