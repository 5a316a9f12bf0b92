#pragma once

#include <string>
#include <variant>
#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::draw {

/// Paper or ink; on a screen full light or none.
enum class Shade { kLight, kDark };

/// Shapes lie on a sheet: origin at its top-left corner, x right, y down, in the unit of the
/// drawing (mm on paper, pixels on a screen). Later shapes cover earlier ones.
struct Box {
  Point2d low = {0.0, 0.0};
  Point2d high = {0.0, 0.0};
  Shade shade = Shade::kDark;

  [[nodiscard]] Point2d size() const { return high - low; }
  [[nodiscard]] Point2d middle() const { return 0.5 * (low + high); }
};
/// Boxes that may touch, painted at once: between them no seam shows, however they are looked at.
struct Region {
  std::vector<Box> boxes;
  Shade shade = Shade::kDark;
};
struct Disc {
  Point2d center = {0.0, 0.0};
  double radius = 0.0;
  Shade shade = Shade::kDark;
};
struct Polygon {  // convex
  std::vector<Point2d> corners;
  Shade shade = Shade::kDark;
};

enum class TextAlign { kStart, kMiddle, kEnd };
enum class TextTurn { kNone, kUpwards };  // kUpwards reads from the bottom to the top

struct Text {
  std::string words;
  Point2d place = {0.0, 0.0};  // on the base line; which part of it: `align`
  double size = 0.0;           // of the font: about the distance of two lines
  TextAlign align = TextAlign::kStart;
  TextTurn turn = TextTurn::kNone;
  double max_length = 0.0;  // a longer text is made smaller; 0: no limit
};

using Shape = std::variant<Box, Region, Disc, Polygon, Text>;

/// A light sheet with shapes on it.
struct Drawing {
  double width = 0.0;
  double height = 0.0;
  std::vector<Shape> shapes;
};

/// The smallest box around a shape; of a text a generous guess.
[[nodiscard]] Box bounds(const Shape& shape);

}  // namespace trueplate::draw
