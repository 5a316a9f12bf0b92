#pragma once

#include <optional>
#include <span>
#include <string>

#include "calib/base/result.h"
#include "calib/fit/field_fit.h"
#include "calib/lens/film_back.h"
#include "calib/profile/profile.h"

namespace trueplate {

/// What is known of a lens beside the field of where it images things.
struct LensFromFieldOptions {
  std::string model = "auto";
  ImageSize plate_size;
  profile::Labels labels = {};
  std::optional<lens::FilmBack> film_back = {};
  double noise_px = 0.0;                    // of the places: fit::FieldFitOptions
  std::optional<double> pixel_aspect = {};  // default: the squeeze
  double squeeze = 1.0;
  std::optional<double> nominal_focal_mm = {};  // needs film_back
  std::optional<double> focus_m = {};
  std::optional<double> t_stop = {};
  std::string origin = {};           // what the field is of, for the profile: "ST-map vendor.exr"
  std::string program_version = {};  // provenance
};

struct LensFromField {
  profile::Profile profile;
  fit::FieldFit fit;
};

/// A profile from a field that somebody else's map states, such as a vendor's ST-map: so that it
/// can be archived, scaled, handed off. Without a focal length 50 mm on a 36 mm wide frame is
/// taken.
///
/// warnings of the station: `focal-assumed` (value: the pixels assumed) without a focal length;
/// `field-not-met` (value: the largest miss in px) above fit::kFieldGoodEnoughPx;
/// `straight-moved` (value: the shift in px) where the straight picture has another pinhole than
/// the lens; `principal-point-far` (value: its distance from the middle over the longer side) when
/// it lies outside the plate. errors: those of fit::fit_field(); a focal length without a film
/// back.
Result<LensFromField> lens_from_field(std::span<const fit::FieldPoint> field,
                                      const LensFromFieldOptions& options);

}  // namespace trueplate
