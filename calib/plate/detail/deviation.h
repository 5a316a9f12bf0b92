#pragma once

#include <vector>

#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// How far the points are from where the others see them.
struct Deviations {
  /// Of each observation in pixels: its distance, in the measure in which noise of one pixel per
  /// coordinate makes it that of a normal 2-vector of variance 1; 0 for what does not take part or
  /// cannot be judged since the others do not place it.
  std::vector<double> distance_px;
  double sigma_px = 0.0;  // of a coordinate, from the median of these; 0 when there are none
};

/// Errors that a scene leaves when fitted with Cauchy's loss of scale `cauchy_px`, freed from what
/// the fit takes up. A track of a few points, or a frame of a few tracks, follows each of them:
/// what one leaves there is less than its noise, and the others place it no better than they know
/// pose and point. So each error is carried to that of a fit without the observation (one step),
/// and measured against the covariance of the two together (studentised deleted residuals:
/// R. D. Cook and S. Weisberg, Residuals and Influence in Regression, 1982). Pose and point are
/// taken to be independent; of focal length and lens, known from all points, nothing is taken up.
[[nodiscard]] Deviations deviations(const Shot& shot, const Scene& scene, double cauchy_px);

}  // namespace trueplate::plate::detail
