#pragma once

#include <optional>
#include <vector>

#include "calib/plate/detail/line_adjust.h"

namespace trueplate::plate::detail {

/// A pinhole: what a vote knows of the lens.
struct Pinhole {
  ImageSize plate_size;
  Point2d focal_px = {0.0, 0.0};
  Point2d centre_px = {0.0, 0.0};
};

struct Vote {
  double lambda = 0.0;         // of the division model with one term
  std::vector<bool> supports;  // one a chain: whether that makes it about straight
};

/// The coefficient that makes most of the chains straight, by length and certainty. Chains that
/// stay straight whatever the coefficient support any.
[[nodiscard]] Vote vote(const Pinhole& pinhole, const std::vector<Chain>& chains);

}  // namespace trueplate::plate::detail
