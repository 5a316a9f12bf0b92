#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/lens/model.h"

namespace trueplate::zoom::detail {

struct Refit {
  lens::Model model;
  double rms_px = 0.0;  // of the distances from where the plate has the rays
  double max_px = 0.0;
};

/// The coefficients, of the model of `start`, with which rays are imaged where they should be.
///
/// Levenberg-Marquardt from `start`; what the rays leave open stays as it is there, so that
/// neighbouring fields get neighbouring coefficients. The pinhole is not touched.
///
/// ideal     directions, on the plane z = 1
/// plate     where they are imaged: on the same plane, distorted
/// scale_px  focal lengths, by which the misses are weighed
/// nullopt   when no coefficients image all rays without folding
[[nodiscard]] std::optional<Refit> refit(const lens::Model& start,
                                         const Eigen::Matrix2Xd& ideal,
                                         const Eigen::Matrix2Xd& plate,
                                         const Point2d& scale_px);

}  // namespace trueplate::zoom::detail
