#pragma once

#include <vector>

#include "calib/plate/detail/line_adjust.h"

namespace trueplate::plate::detail {

/// How the residuals of one line go along it.
struct LineShape {
  int num_terms = 0;          // polynomials of degree 2 to 5, as many as the points carry
  double slow_squares = 0.0;  // px^2: what they take up; of independent points num_terms sigma^2
  int num_slowest = 0;        // those of degree 2 and 3, which a lens bends most
  double slowest_squares = 0.0;
  double amplitude_px = 0.0;  // root mean square of that part
  int num_rest = 0;           // degrees of freedom of the rest
  double rest_squares = 0.0;  // px^2
};
[[nodiscard]] LineShape shape_of(const WorldLine& line);

/// The standard deviation per point that the slow parts show, from their median: what a minority of
/// curved lines does not spoil. At least a floor that keeps perfect data from being judged.
[[nodiscard]] double typical_structure_px(const std::vector<LineShape>& shapes);

/// The root mean square of the slow parts of the median line, in px.
[[nodiscard]] double typical_amplitude_px(const std::vector<LineShape>& shapes);

/// By how many standard deviations a line's slow part exceeds that of points with deviation
/// `structure_px`: chi-square by E. B. Wilson and M. M. Hilferty, PNAS 17(12), 1931 (from memory).
[[nodiscard]] double excess_sigma(const LineShape& shape, double structure_px);

}  // namespace trueplate::plate::detail
