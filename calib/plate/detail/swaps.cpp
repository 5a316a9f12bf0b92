#include "calib/plate/detail/swaps.h"

#include <algorithm>
#include <optional>
#include <utility>

namespace trueplate::plate::detail {
namespace {

/// Where a track goes on to, by its last two points.
class Follower {
 public:
  [[nodiscard]] std::optional<Point2d> expected(int frame) const {
    if (last_ == nullptr) return std::nullopt;
    if (before_ == nullptr) return last_->p_px;
    const double frames = last_->frame - before_->frame;
    return last_->p_px + (frame - last_->frame) / frames * (last_->p_px - before_->p_px);
  }
  void take(const Observation& observation) {
    before_ = last_;
    last_ = &observation;
  }

 private:
  const Observation* last_ = nullptr;
  const Observation* before_ = nullptr;
};

struct Swap {
  int frame = 0;        // the first after it
  double way_px = 0.0;  // from one place to the other
};

std::optional<Swap> swap_of(const Shot& shot, int track_a, int track_b, double least_px) {
  constexpr double kLanding = 0.25;  // of that way
  const auto& of_a = shot.of_track[static_cast<std::size_t>(track_a)];
  const auto& of_b = shot.of_track[static_cast<std::size_t>(track_b)];
  Follower follows_a;
  Follower follows_b;
  for (std::size_t i = 0, j = 0; i < of_a.size() && j < of_b.size();) {
    const Observation& a = shot.observations[of_a[i]];
    const Observation& b = shot.observations[of_b[j]];
    if (a.frame == b.frame) {
      const auto place_a = follows_a.expected(a.frame);
      const auto place_b = follows_b.expected(a.frame);
      if (place_a && place_b) {
        const double way = (*place_a - *place_b).norm();
        const double landed = std::max((a.p_px - *place_b).norm(), (b.p_px - *place_a).norm());
        if (way > least_px && landed < kLanding * way) return Swap{a.frame, way};
      }
    }
    const bool takes_a = a.frame <= b.frame;
    const bool takes_b = b.frame <= a.frame;
    if (takes_a) follows_a.take(a);
    if (takes_b) follows_b.take(b);
    i += takes_a ? 1 : 0;
    j += takes_b ? 1 : 0;
  }
  return std::nullopt;
}

}  // namespace

void note_swaps(const Shot& shot, double least_px, std::vector<TrackFault>& faults) {
  for (std::size_t i = 0; i < faults.size(); ++i) {
    for (std::size_t j = i + 1; j < faults.size(); ++j) {
      if (faults[i].swapped_with || faults[j].swapped_with) continue;
      const std::optional<Swap> swap = swap_of(shot, faults[i].track, faults[j].track, least_px);
      if (!swap) continue;
      for (const auto& [one, other] : {std::pair{i, j}, std::pair{j, i}}) {
        faults[one].kind = FaultKind::kSlipped;
        faults[one].swapped_with = faults[other].track;
        faults[one].frame = swap->frame;
        faults[one].size_px = swap->way_px;
      }
    }
  }
}

}  // namespace trueplate::plate::detail
