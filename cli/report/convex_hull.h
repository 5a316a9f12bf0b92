#pragma once

#include <span>
#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::cli {

/// The convex hull of places, counterclockwise where y goes up (monotone chain, Andrew 1979); of
/// places on one line its two ends.
[[nodiscard]] std::vector<Point2d> convex_hull(std::vector<Point2d> places);

/// Whether `p` lies within a convex hull, or no farther outside of its edges than `margin`. Two
/// places hold the whole line through them, none hold everything.
[[nodiscard]] bool in_hull(std::span<const Point2d> hull, const Point2d& p, double margin = 0.0);

}  // namespace trueplate::cli
