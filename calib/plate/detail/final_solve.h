#pragma once

#include <Eigen/Core>
#include <span>

#include "calib/plate/detail/shot.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// One column of the table: all frames with one lens.
struct FinalSolve {
  LensUse lens_use = LensUse::kNone;
  const Shot* shot = nullptr;
  const Scene* start = nullptr;  // of the chain of frames
  const lens::Lens* profile = nullptr;
  bool beside_profile = false;  // what it says of the lens is for comparison with one
  bool free_focal = false;
  int num_radial = 0;
  /// By what k1 and k2 would change with the focal length that the tracks themselves fit, where one
  /// is given.
  Eigen::Vector2d radial_by_focal = Eigen::Vector2d::Zero();
};

struct FinalResult {
  CameraSolve solve;
  LensEstimate lens;  // of a solve with radial terms
};

/// Poses for all frames from the scene of the chain, then least squares over all of them; of more
/// than kMostInBundle points over as many frames as hold about so many, the chain's among them,
/// while the other frames take their poses from the points.
[[nodiscard]] FinalResult solve_fully(const FinalSolve& plan, std::span<const char> chain);
inline constexpr std::size_t kMostInBundle = 200000;

}  // namespace trueplate::plate::detail
