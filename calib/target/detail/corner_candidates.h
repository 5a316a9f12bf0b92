#pragma once

#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::target::detail {

/// A place where two edges seem to cross, good to a pixel or so.
struct CornerCandidate {
  Point2d p_px = {0.0, 0.0};
  /// Angles of the two edges, 0 <= angle_a < angle_b < pi (x right, y down: growing angles turn
  /// clockwise on the screen).
  double angle_a = 0.0;
  double angle_b = 0.0;
  /// Half of light - dark; positive when the sector from angle_a to angle_b is light.
  double contrast = 0.0;
};

/// The image the candidates are sought in: values between `range` as 0..1 by a square root (which
/// keeps a chart in the shade visible beside a lamp), NaN as the middle, then a Gaussian of
/// standard deviation kCandidateBlurPx.
inline constexpr double kCandidateBlurPx = 1.2;
Image<float> toned(ImageView<const float> image);

/// Saddle points of a toned() image, strongest first, at most `most`: strict minima of the Hessian
/// determinant whose surrounding ring is light, dark, light, dark, in opposite pairs.
std::vector<CornerCandidate> corner_candidates(ImageView<const float> toned_image, int most);

}  // namespace trueplate::target::detail
