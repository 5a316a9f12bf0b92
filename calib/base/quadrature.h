#pragma once

#include <vector>

namespace trueplate {

/// A place in -1..1 and the share of the interval that it stands for.
struct QuadratureNode {
  double place = 0.0;
  double share = 0.0;
};

/// The ten nodes of Gauss and Legendre, in order: the mean of a polynomial of degree 19 or less is
/// the sum of its values there by their shares, which sum to 1 (Abramowitz and Stegun
/// 1964, 25.4.30).
[[nodiscard]] std::vector<QuadratureNode> gauss_legendre();

}  // namespace trueplate
