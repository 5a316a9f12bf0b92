#pragma once

#include <array>
#include <optional>
#include <span>
#include <vector>

#include "calib/plate/detail/motion.h"
#include "calib/plate/detail/motion_findings.h"
#include "calib/plate/detail/shot.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// A shot and what is known of its camera.
struct Setup {
  ImageSize plate_size;
  double focal_ratio = 1.0;
  std::optional<double> focal_px;
  bool has_profile = false;
  Shot plain;  // as tracked
  Shot base;   // straightened, if there is a profile
};

/// ln of the focal length, and no radial terms.
[[nodiscard]] Eigen::Vector3d pinhole(double focal_px);

/// What the pairs of frames show with one focal length.
struct View {
  Eigen::Vector3d intrinsics = Eigen::Vector3d::Zero();
  std::vector<PairMotion> pairs;
  PairMotion motion;
};

/// With the focal length as known, else with several.
[[nodiscard]] std::vector<View> look_at_pairs(const Setup& setup,
                                              std::span<const int> chain,
                                              const std::optional<std::array<int, 2>>& keyframes);

/// What the motion lacks for a solve.
struct Motion {
  PairMotion pair;
  std::optional<Finding> lacking;  // nullopt: nothing
  std::optional<Finding> beside;   // the lens or the focal length, where it hides what is lacking
};

/// Looks at the motion as it is and, where that is more than a turn or a plane makes, with the
/// focal length (also where one is given) or the lens that leave least of it: a wrong one looks
/// like parallax.
[[nodiscard]] Motion look_at_motion(const Tracks& tracks,
                                    const Setup& setup,
                                    const std::vector<View>& views);

struct Start {
  Scene scene;
  PairMotion pair;
};

/// Grows scenes from several pairs, focal lengths and with the lens free, and takes the best; where
/// most points fit none of them also without the profile, and without the focal length as given.
[[nodiscard]] std::optional<Start> best_start(const Setup& setup,
                                              std::span<const int> chain,
                                              const std::vector<View>& views);

/// The scene with everything free, over all frames: what does not fit it is no fault of the lens.
[[nodiscard]] Scene freest_scene(const Setup& setup,
                                 const Shot& shot,
                                 std::span<const char> chain,
                                 const Scene& start);

}  // namespace trueplate::plate::detail
