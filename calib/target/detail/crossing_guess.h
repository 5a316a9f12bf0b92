#pragma once

#include <cmath>
#include <initializer_list>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"

namespace trueplate::target::detail {

// Below this sine of the angle between two lines or edges (17 degrees) a crossing is too flat to
// measure.
inline constexpr double kMinSine = 0.3;

/// Sine of the angle from u to v, kMinSine where it is smaller.
[[nodiscard]] double bounded_sine(double angle_u, double angle_v);

/// Whether v is clockwise of u (x right, y down), and neither nearly along nor against it.
[[nodiscard]] bool well_apart(double angle_u, double angle_v);

[[nodiscard]] inline double angle_of(const Point2d& step) { return std::atan2(step.y(), step.x()); }

/// Refuses an image of several channels and a guess of a crossing that makes no sense, on behalf of
/// `function`.
/// numbers    what else of the guess has to be finite
Result<void> check_crossing_guess(std::string_view function,
                                  ImageView<const float> image,
                                  const Point2d& p_px,
                                  const Point2d& step_u_px,
                                  const Point2d& step_v_px,
                                  std::initializer_list<double> numbers,
                                  double min_step_px);

}  // namespace trueplate::target::detail
