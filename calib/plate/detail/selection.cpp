#include "calib/plate/detail/selection.h"

#include <algorithm>

namespace trueplate::plate::detail {

double num_seen(const std::vector<int>& counts) {
  return static_cast<double>(
      std::count_if(counts.begin(), counts.end(), [](int count) { return count > 0; }));
}

double freedom(const Selection& selection, int num_lens) {
  constexpr double kGauge = 7.0;
  return 2.0 * static_cast<double>(selection.observations.size()) -
         6.0 * num_seen(selection.of_frame) - 3.0 * num_seen(selection.of_track) + kGauge -
         num_lens;
}

Selection select(const Shot& shot, const BundleOptions& options, const Scene& scene) {
  Selection selection;
  selection.of_frame.assign(static_cast<std::size_t>(shot.num_frames), 0);
  selection.of_track.assign(static_cast<std::size_t>(shot.num_tracks), 0);
  for (std::size_t i = 0; i < shot.observations.size(); ++i) {
    const Observation& observation = shot.observations[i];
    const auto frame = static_cast<std::size_t>(observation.frame);
    if (shot.used[i] == 0 || (!options.frames.empty() && options.frames[frame] == 0)) continue;
    if (!projected(shot, scene, observation.frame, observation.track)) continue;
    selection.observations.push_back(i);
    ++selection.of_frame[frame];
    ++selection.of_track[static_cast<std::size_t>(observation.track)];
  }
  return selection;
}

}  // namespace trueplate::plate::detail
