#pragma once

#include "calib/fit/detail/kernel.h"
#include "calib/lens/lens.h"

namespace trueplate::fit::detail {

/// The prior of lens::SplineField around a radial-tangential lens.
///
/// The displacement D, in plate pixels at the lens' mean focal length, costs stiffness^2 times
///     integral of |D_xx|^2 + 2 |D_xy|^2 + |D_yy|^2 + |D|^2 / kFadeLength^4
/// over the rectangle, lengths in half heights of it: the bending energy of a thin plate (G. Wahba,
/// Spline Models for Observational Data, 1990), and a share that lets the field fade where no
/// corner is. Lenses are nearly round: fields p f(r), with kNumRadial cosines for f, cost only
/// kRadialPx^2 per squared pixel at the corner, however stiff the rest. What the pinhole and the
/// poses explain is kept out of the field with kHeldPx: its mean, its stretch along each axis, its
/// turn. k1, k2, k3 of the base are drawn towards the given lens with kRadialPx per pixel at the
/// corner. The rectangle is that which holds the straightened plate, and is not moved; where `base`
/// is a spline field itself, it is that of the field.
[[nodiscard]] CoefficientPrior spline_prior(const lens::Lens& base, double stiffness_px);

/// Distance, in half heights of the rectangle, over which an unobserved field fades.
inline constexpr double kFadeLength = 1.0;
/// Weight, in pixels of residual per pixel, of what the field must not contain.
inline constexpr double kHeldPx = 100.0;
/// The round part: how many functions, and their weight.
inline constexpr int kNumRadial = 7;
inline constexpr double kRadialPx = 0.01;

}  // namespace trueplate::fit::detail
