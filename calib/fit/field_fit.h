#pragma once

#include <span>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"

namespace trueplate::fit {

/// A place of a known field: where the straight picture shows it, and where the plate does. Plate
/// pixels, as in lens::Lens.
struct FieldPoint {
  Point2d straight_px;
  Point2d plate_px;
};

/// A model that meets every place this well is as good as the field: a simpler one is then taken.
inline constexpr double kFieldGoodEnoughPx = 0.01;

struct FieldFitOptions {
  /// A model's name, or "auto": the one with the fewest parameters among those that are good
  /// enough, else the one that is best: a larger one has to be nearer by a tenth. The spline field
  /// is tried when no formula is good enough.
  std::string model = "auto";
  ImageSize plate_size;
  /// The focal lengths of the straight picture's pinhole. A field does not tell them: with another
  /// one, other coefficients give the same field. Their ratio it does tell where it is round, and a
  /// fisheye's it tells as well; those are fitted, beginning here.
  Point2d focal_px = {0.0, 0.0};
  /// Known noise of the field's places, rms over 2-vectors, such as the rounding of a map to half.
  /// "auto" then asks by how much models miss the field beyond it.
  double noise_px = 0.0;
};

/// How well one model meets the field.
struct FieldTrial {
  std::string model;
  double rms_px = 0.0;
  double max_px = 0.0;
  bool chosen = false;
  std::string reason;  // why not; empty when chosen
};

struct FieldFit {
  lens::Lens lens;
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d max_at_px = {0.0, 0.0};  // on the plate
  std::vector<FieldTrial> trials;
};

/// Fits a lens to a field that is known, but for rounding, such as an ST-map of unknown origin, by
/// least squares over the places. Distortion centre and principal point are one but for models that
/// have both. A lens that folds within the field is not taken.
///
/// errors  kInvalidInput: an unknown model, fewer than 20 places, places that are not finite, sizes
///         or focal lengths out of range; kNotConverged: no model meets the field at all.
Result<FieldFit> fit_field(std::span<const FieldPoint> field, const FieldFitOptions& options);

}  // namespace trueplate::fit
