#pragma once

#include <cstddef>

#include "calib/base/geometry.h"

namespace trueplate::lens {

/// Of models that add to a formula what was measured place by place: where that is, on the plane
/// z = 1. It is whole on |x| <= half_size.x(), |y| <= half_size.y(), and 0 from `fade` outside on,
/// where the formula alone is left.
struct LocalField {
  Point2d half_size = {0.0, 0.0};
  Point2d fade = {0.0, 0.0};
  std::size_t num_formula = 0;  // of the coefficients, the first ones; the others are the field's
};

}  // namespace trueplate::lens
