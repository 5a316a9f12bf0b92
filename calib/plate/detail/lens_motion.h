#pragma once

#include <optional>
#include <span>

#include "calib/plate/detail/motion.h"
#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// What takes the motion of the picture to nothing.
enum class Still { kByTurn, kByPlane };

/// What may differ from the intrinsics at the start.
struct LensSearch {
  Still still = Still::kByTurn;
  bool free_focal = false;
  bool free_lens = false;  // k1, and k2 where k1 comes near
};

/// The motion as a lens shows it that leaves least of it.
struct LensMotion {
  Eigen::Vector3d intrinsics = Eigen::Vector3d::Zero();
  PairMotion motion;
  double corner_shift_px = 0.0;  // by which the lens moves the plate's corners
};

/// A lens that nothing straightens looks like parallax, and so does a wrong focal length: looks for
/// the focal length and the radial terms with which a turn of the camera, or a plane, explains most
/// of the motion between `pairs`, which `start` shows as `motion`. By steps along each that halve,
/// since robust errors have no derivatives. nullopt where even then too much is left for that to be
/// what happened, or where the epipolar geometry fits worse than before.
[[nodiscard]] std::optional<LensMotion> stillest_motion(const Shot& shot,
                                                        const Eigen::Vector3d& start,
                                                        std::span<const PairMotion> pairs,
                                                        const PairMotion& motion,
                                                        const LensSearch& search);

/// Errors beyond this (for a plate 2048 px wide) no lens makes that this search looks for.
inline constexpr double kMostOfLensPx = 40.0;

}  // namespace trueplate::plate::detail
