#include "calib/plate/detail/held_centre.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "calib/base/chance.h"

namespace trueplate::plate::detail {

std::optional<Warning> centre_contradicted(const ScreenedLens& fit,
                                           const std::vector<Chain>& chains) {
  constexpr double kMostChance = 1e-4;
  LensProblem free = fit.problem;
  free.free.insert(free.free.begin(), {2, 3});
  free.prior_weight = 0.0;
  const std::optional<AdjustedLens> lens =
      adjust(free, fit.lens.intrinsics, chosen(chains, fit.used));
  if (!lens) return std::nullopt;
  double slow = 0.0;
  double num_terms = 0.0;
  double num_points = 0.0;
  for (const WorldLine& line : lens->lines) {
    const LineShape shape = shape_of(line);
    slow += shape.slow_squares;
    num_terms += shape.num_terms;
    num_points += static_cast<double>(line.feet.size());
  }
  const double num_free = std::max(1.0, num_terms - static_cast<double>(free.free.size()));
  const double gain = fit.lens.sum_squares_px2 - lens->sum_squares_px2;
  if (!(gain > 0.0 && slow > 0.0)) return std::nullopt;
  if (!(f_tail(gain / 2.0 / (slow / num_free), 2.0, num_free) < kMostChance)) return std::nullopt;
  const Point2d centre = lens->intrinsics.segment<2>(2);
  const double way_px = (centre - Point2d(fit.lens.intrinsics.segment<2>(2))).norm();
  return Warning{
      "centre-contradicted",
      fmt::format("the lines contradict the distortion centre given: free, they put it at ({:.0f}, "
                  "{:.0f}), {:.0f} px from there, and depart by {:.3f} instead of {:.3f} px; leave "
                  "--centre out, or check whether the plate was cropped or moved",
                  centre.x(),
                  centre.y(),
                  way_px,
                  std::sqrt(lens->sum_squares_px2 / num_points),
                  std::sqrt(fit.lens.sum_squares_px2 / num_points)),
      way_px};
}

}  // namespace trueplate::plate::detail
