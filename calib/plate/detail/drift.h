#pragma once

#include <cstddef>
#include <optional>

#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// A track that leaves its point evenly.
struct Drift {
  double px_per_frame = 0.0;
  double way_px = 0.0;  // from its first frame to its last
  double left = 1.0;    // of the sum of squared errors, about the point and drift that fit best
};

/// The drift that explains most of what the scene's cameras see of a track; its point may move for
/// it. `px` are the solver's. nullopt with fewer than eight points, or where the point leaves the
/// front of a camera when it is moved a little. Even moves of the camera make part of a drift look
/// like another depth, so that the drift found may be smaller than the true one.
[[nodiscard]] std::optional<Drift> drift_of(const Shot& shot,
                                            const Scene& scene,
                                            std::size_t track);

}  // namespace trueplate::plate::detail
