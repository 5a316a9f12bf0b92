#pragma once

#include <vector>

#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// What takes part in a bundle adjustment, and how often each frame and track is seen.
struct Selection {
  std::vector<std::size_t> observations;  // by frame
  std::vector<int> of_frame;
  std::vector<int> of_track;
};

/// How many of `counts` are above zero.
[[nodiscard]] double num_seen(const std::vector<int>& counts);

/// Equations more than unknowns, with `num_lens` of the lens: moving, turning and scaling the whole
/// counts as none.
[[nodiscard]] double freedom(const Selection& selection, int num_lens);

[[nodiscard]] Selection select(const Shot& shot, const BundleOptions& options, const Scene& scene);

}  // namespace trueplate::plate::detail
