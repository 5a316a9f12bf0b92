#include "calib/plate/detail/line_rivals.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/plate/detail/maps_apart.h"

namespace trueplate::plate::detail {

LineRivals::LineRivals(std::vector<LineRival> rivals, double variance_px2, double num_terms)
    : rivals_(std::move(rivals)) {
  double best = -std::numeric_limits<double>::infinity();
  for (const LineRival& rival : rivals_) {
    weights_.push_back(-0.5 * (rival.sum_squares_px2 / variance_px2 +
                               rival.num_coefficients * std::log(std::max(1.0, num_terms))));
    best = std::max(best, weights_.back());
  }
  double sum = 0.0;
  for (double& weight : weights_) {
    weight = std::exp(weight - best);
    sum += weight;
  }
  for (double& weight : weights_) weight /= sum;
  for (const LineRival& rival : rivals_) {
    apart_.emplace_back();
    for (const LineRival& other : rivals_) {
      apart_.back().push_back(maps_apart(rival.lens, other.lens));
    }
  }
}

MapsApart LineRivals::doubt(std::size_t which) const {
  MapsApart doubt;
  double farthest = 0.0;
  for (std::size_t i = 0; i < rivals_.size(); ++i) {
    const std::optional<MapsApart>& apart = apart_[which][i];
    if (i == which || !apart) continue;
    doubt.rms_px += weights_[i] * apart->rms_px * apart->rms_px;
    const double most = weights_[i] * apart->max_px * apart->max_px;
    doubt.max_px += most;
    if (most <= farthest) continue;
    farthest = most;
    doubt.worst_plate_px = apart->worst_plate_px;
  }
  doubt.rms_px = std::sqrt(doubt.rms_px);
  doubt.max_px = std::sqrt(doubt.max_px);
  return doubt;
}

std::size_t LineRivals::choice(std::size_t preferred) const {
  double least = doubt(preferred).rms_px;
  if (least <= rivals_[preferred].map_sigma_rms_px) return preferred;
  std::size_t best = preferred;
  for (std::size_t i = 0; i < rivals_.size(); ++i) {
    const double here = doubt(i).rms_px;
    if (here >= least) continue;
    least = here;
    best = i;
  }
  return best;
}

}  // namespace trueplate::plate::detail
