#pragma once

namespace trueplate::target::detail {

/// What is known beforehand of two crossing edges or lines: their curvatures, 1/px. Positive bends
/// u towards +v, and v towards +u.
struct Bends {
  double curvature_u = 0.0;
  double curvature_v = 0.0;
};

}  // namespace trueplate::target::detail
