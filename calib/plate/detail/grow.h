#pragma once

#include <optional>
#include <span>
#include <utility>

#include "calib/plate/detail/motion.h"
#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

struct GrowOptions {
  bool free_focal = false;
  int num_radial = 0;
};

/// A scene grown from a pair of frames: their pose from the five-point method, then frame by frame
/// the pose from the points known so far and further points from the poses, adjusted robustly each
/// time it has become half as large again. Only `frames` are looked at. nullopt when the pair does
/// not start.
[[nodiscard]] std::optional<Scene> grow_scene(const Shot& shot,
                                              std::span<const int> frames,
                                              int frame_a,
                                              int frame_b,
                                              const Eigen::Vector3d& intrinsics,
                                              const GrowOptions& options);

/// Gives poses to all frames that see enough known points, and points to all tracks that have not
/// got one. The rest of the scene stays.
void extend_scene(const Shot& shot, Scene& scene);

/// Gives tracks of which no observation takes part the points that their observations suggest, so
/// that their errors say how far off they are.
void place_left_out(const Shot& shot, Scene& scene);

/// The scale of Cauchy's loss that suits the scene's errors, in plate pixels.
[[nodiscard]] double cauchy_scale_px(const Shot& shot, const Scene& scene);

/// Mean of Cauchy's loss over what takes part in `frames`; what the scene does not explain counts
/// as far off. For comparing scenes of one shot.
[[nodiscard]] double scene_cost(const Shot& shot, std::span<const int> frames, const Scene& scene);

}  // namespace trueplate::plate::detail
