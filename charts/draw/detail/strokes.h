#pragma once

#include <span>
#include <vector>

#include "charts/draw/shapes.h"

namespace trueplate::draw::detail {

struct Pen {
  double width = 0.2;
  double dash = 0.0;  // length of dashes and gaps; 0: solid
};

/// Lines from point to point, as shapes. Points that are not finite break the line.
void add_line(std::vector<Shape>& shapes, std::span<const Point2d> points, const Pen& pen);

}  // namespace trueplate::draw::detail
