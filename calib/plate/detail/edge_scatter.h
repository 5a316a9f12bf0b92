#pragma once

#include <vector>
#include "calib/plate/detail/line_adjust.h"

namespace trueplate::plate::detail {

/// What the scatter between the edges of the world says of how well a coefficient is known.
struct EdgeScatter {
  double variance = 0.0;  // per point, px^2: points of it would leave the coefficient as uncertain
  double freedom = 0.0;   // degrees of freedom of that variance: edges that count, less one
};

/// Of each coefficient that is fitted. Empty where there are too few edges to scatter.
///
/// Lines that continue each other, or are the two sides of one stripe, are one edge: what is not
/// straight of it, all of them show. The variance is the jackknife's, one edge left out at a time
/// (each with one Gauss-Newton step), weighted so that it is unbiased where the edges are alike
/// (J. G. MacKinnon and H. White, Journal of Econometrics 29, 1985, HC2, from memory); it is right
/// also where a few edges say nearly everything and are the least straight.
[[nodiscard]] std::vector<EdgeScatter> scatter_of_edges(const LensProblem& problem,
                                                        const AdjustedLens& lens);

/// Which edge of the world each line of `lens` is of: numbers from 0.
[[nodiscard]] std::vector<int> edges_of(const LensProblem& problem, const AdjustedLens& lens);

/// Lines are of one edge that nowhere are farther apart than this share of the plate's longer side.
inline constexpr double kSameEdge = 0.01;

}  // namespace trueplate::plate::detail
