#pragma once

#include <Eigen/Core>
#include <span>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/fit/fit.h"
#include "calib/lens/lens.h"

namespace trueplate::fit {

/// One point of a chart as two colours of the same frame show it, in plate pixels.
struct ColourPair {
  Point2d green_px;
  Point2d colour_px;
};

/// How far a lens images a colour beside green: the plate position of the ray that green has at a
/// place, less that place, over a grid on the plate. Sigmas are standard deviations from the noise
/// of the points.
struct ColourShift {
  double rms_px = 0.0;
  double rms_sigma_px = 0.0;  // of the shift of one place, root mean square over the plate
  double max_px = 0.0;
  double max_sigma_px = 0.0;          // of the largest shift, along itself
  Point2d max_at_px = {0.0, 0.0};     // where green has it
  Point2d max_shift_px = {0.0, 0.0};  // colour less green, there
  /// Of the F-test of "the colour has green's lens": the chance of such differences from noise.
  double p_value = 1.0;
  bool significant = false;  // p_value < kSignificantColour
};
inline constexpr double kSignificantColour = 1e-3;

/// Standard deviation that the difference of two places is never believed to stay below, per
/// coordinate: exactly equal channels then show no significant difference of 1e-9 px.
inline constexpr double kLeastColourNoisePx = 1e-3;

/// The lens of one colour. Parameters in the order of LensFit.
struct ColourFit {
  lens::Lens lens;
  Eigen::VectorXd sigma;
  Eigen::MatrixXd covariance;  // of what the parameters differ from green's
  int num_pairs = 0;           // used
  int num_rejected = 0;
  double rms_px = 0.0;          // of the used pairs: what the two lenses leave of their differences
  double noise_sigma_px = 0.0;  // of a difference, per coordinate
  ColourShift shift;
};

/// Fits the lens of a colour beside the known one of green (lateral chromatic aberration).
///
/// Each pair gives a ray, the one that green's lens has at green_px; the colour's focal lengths (x
/// and y by themselves, as anamorphic lenses need), principal point and coefficients, of the same
/// model, are fitted so that the rays meet the plate at colour_px. So only the differences of the
/// two places count: what the frames' poses, the print and the model cannot explain of green is the
/// same in both and drops out, to first order, as it would with all of them held at green's values;
/// and sigma is that of a difference. A robust fit first says which pairs do not belong (farther
/// off than `rejection_limit_sigma` robust standard deviations); the last one is plain least
/// squares.
///
/// Errors   kInvalidInput: an invalid lens, a model without a kernel, places that are not finite
///          numbers;
///          kUndetermined: fewer pairs than twice the parameters, or pairs that leave some open.
/// Pure; safe from any thread.
Result<ColourFit> fit_colour(const lens::Lens& green,
                             std::span<const ColourPair> pairs,
                             const FitOptions& options = {});

}  // namespace trueplate::fit
