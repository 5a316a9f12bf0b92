#pragma once

#include <span>

#include "calib/fit/detail/kernel.h"
#include "calib/lens/lens.h"

namespace trueplate::fit::detail {

/// The prior of lens::SplineField around a radial-tangential lens.
///
/// The displacement D, in plate pixels at the lens' mean focal length, costs field_px^2 times
///     integral of |D_xx|^2 + 2 |D_xy|^2 + |D_yy|^2 + |D|^2 / kFadeLength^4
/// over the rectangle, lengths in half heights of it: the bending energy of a thin plate (G. Wahba,
/// Spline Models for Observational Data, 1990), and a share that lets the field fade where no
/// corner is. What pinhole, poses and tangential terms explain is kept out of it with kHeldPx: over
/// `seen_px` its mean products with a shift, a stretch along each axis, a turn about each axis and
/// the tangential terms are 0. So focal lengths and principal point are those of the best lens
/// without D.
///
/// Of T the fourth differences cost round_px^2 times their squares, in pixels where they act: as
/// stiff as can be it is a polynomial of degree 3 in the square of the radius, which is what the
/// radial-tangential lens has (P. H. C. Eilers and B. D. Marx, Flexible Smoothing with B-splines
/// and Penalties, Statistical Science 11(2), 1996). It does all that is round: k2 and k3 are held
/// at 0, k1 at what reaches the same at the rectangle's corner. The slope at the axis is the focal
/// length's.
///
/// The rectangle is that which holds the straightened plate, and is not moved; where `base` is a
/// spline field itself, rectangle, base and T are those of the field.
[[nodiscard]] CoefficientPrior spline_prior(const lens::Lens& base,
                                            const Stiffness& stiffness,
                                            std::span<const Point2d> seen_px);

/// Distance, in half heights of the rectangle, over which an unobserved field fades.
inline constexpr double kFadeLength = 1.0;
/// Weight, in pixels of residual per pixel, of what is held.
inline constexpr double kHeldPx = 100.0;
}  // namespace trueplate::fit::detail
