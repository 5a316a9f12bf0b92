#pragma once

#include <optional>
#include <span>
#include <vector>

#include "calib/plate/detail/shot.h"
#include "calib/plate/two_view.h"

namespace trueplate::plate::detail {

/// What two frames have in common.
struct CommonPoints {
  std::vector<int> tracks;
  std::vector<PointPair> ideal;
};
[[nodiscard]] CommonPoints common_points(const Shot& shot,
                                         std::span<const std::optional<Point2d>> ideal,
                                         int frame_a,
                                         int frame_b);

/// How the picture moved between two frames. In plate pixels; root mean squares of most tracks,
/// found robustly.
struct PairMotion {
  int frame_a = 0;
  int frame_b = 0;
  int num_common = 0;
  double shift_px = 0.0;     // the tracks' median
  double rotation_px = 0.0;  // what is left after the best turn of the camera: the parallax
  /// What is left after the best homography, and the noise per coordinate after the best essential
  /// matrix; measure_scene_motion() has them.
  double homography_px = 0.0;
  double noise_px = 0.0;
  /// Share of the tracks that the homography is off by far, though the essential matrix is not.
  double off_plane = 0.0;
  int num_pairs = 1;  // over which these are medians
};

/// Fewest tracks that two frames have to share to start a solve.
inline constexpr int kFewestCommon = 8;

/// Frames, ascending, of which each shares with the next at least half of its tracks and at least
/// kFewestCommon where the shot has them; no more than `most`, if possible.
[[nodiscard]] std::vector<int> chain_of_frames(const Shot& shot, int most);

/// Pairs among `frames` with at least kFewestCommon tracks in common, the best to start with first:
/// many tracks, much parallax.
[[nodiscard]] std::vector<PairMotion> pair_motions(const Shot& shot,
                                                   const Eigen::Vector3d& intrinsics,
                                                   std::span<const int> frames);

/// The motion that the pairs with most parallax show with these intrinsics, as one: medians over
/// the first kMostMotionPairs; the frames are those of the first.
[[nodiscard]] PairMotion measure_scene_motion(const Shot& shot,
                                              const Eigen::Vector3d& intrinsics,
                                              std::span<const PairMotion> pairs);

inline constexpr std::size_t kMostMotionPairs = 9;

/// The pair of frames with most tracks in common, however few.
[[nodiscard]] PairMotion best_shared_pair(const Shot& shot);

}  // namespace trueplate::plate::detail
