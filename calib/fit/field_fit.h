#pragma once

#include <optional>
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
  /// Whether the straight picture may have a pinhole of its own, scaled and shifted beside the
  /// lens's, as that of a map which fits the whole plate into the frame. Tried when no model is
  /// good enough without, and taken when it is then, or the miss is less than half.
  bool frees_straight_picture = false;
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

/// Where the pinhole of a straight picture is beside that of the lens: straight positions are
/// scale * (p - principal point) + principal point + shift for p as the lens straightens them.
struct StraightPlace {
  Point2d scale = {1.0, 1.0};
  Point2d shift_px = {0.0, 0.0};
};

struct FieldFit {
  lens::Lens lens;
  std::optional<StraightPlace> straight;  // where it had to be fitted
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
