#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "calib/plate/detail/line_adjust.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// The lines that can be fitted, and why the others cannot.
struct PreparedLines {
  std::vector<Chain> chains;         // without repeated points, thinned
  std::vector<std::size_t> sources;  // of each, its place in the set
  std::vector<std::string> reasons;  // one a line of the set; empty: it is among the chains
  std::size_t num_duplicates = 0;    // points left out because they stood twice
};
[[nodiscard]] PreparedLines prepared(const LineSet& lines);

/// The best straight line through points: how far they are from it, and how long it is. Fewer than
/// two different points have no direction: all 0.
struct BestLine {
  Straightness off;
  double length_px = 0.0;
  Point2d begin = {0.0, 0.0};  // of the first and the last point along it
  Point2d end = {0.0, 0.0};
};
[[nodiscard]] BestLine best_line(const std::vector<Point2d>& points);

}  // namespace trueplate::plate::detail
