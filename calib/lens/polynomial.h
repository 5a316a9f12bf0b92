#pragma once

#include <span>

namespace trueplate::lens {

/// The smallest positive root of c[0] + c[1] r + c[2] r^2 + ..., or infinity when there is none.
/// c[0] must be above zero and all coefficients finite. Never steps over a root: intervals are
/// discarded only when the Bernstein coefficients prove the polynomial positive on them. Accurate
/// to a relative 1e-12, and rounded so that the polynomial is positive on the whole of [0, root).
[[nodiscard]] double first_positive_root(std::span<const double> coefficients);

}  // namespace trueplate::lens
