#pragma once

#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/lens/film_back.h"
#include "calib/lens/lens.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange {

/// A file of another format that misses the lens by more than this anywhere on the plate is refused
/// unless it is forced.
inline constexpr double kLargestRefitPx = 0.1;

/// How well another form of a lens images as the lens itself does: the distance, on the plate, of
/// the two places at which they show one place of the straight picture, over a grid on the plate
/// with its edges and corners.
struct Fidelity {
  std::string model;      // the form in which it is written, or was read
  bool refitted = false;  // false: the same formula, exact but for rounding
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d max_at_px = {0.0, 0.0};  // on the plate
  /// How far a re-fit moved the principal point. The picture does not show it, because the straight
  /// picture stays as it is; a camera solve takes it for a turn of the camera.
  double principal_shift_px = 0.0;
};

/// An error that names the miss when it is above `limit_px`.
Result<void> check_fidelity(const Fidelity& fidelity, double limit_px = kLargestRefitPx);

/// A lens in another format.
struct Written {
  std::string text;
  Fidelity fidelity;
  std::vector<std::string> not_carried;  // what the profile knows and the text does not hold
};

/// A lens from another format.
struct Taken {
  profile::Profile profile;  // of one station, valid
  Fidelity fidelity;
  std::vector<std::string> not_carried;  // what the file holds and a profile does not
  std::vector<Warning> warnings;         // those of the station, too
};

/// How the tangential coefficients of an OpenTrackIO file are scaled: by 1/F as equation 16 of
/// OpenLensIO 1.0.0 needs it, or by 1/F^2 as the published conversion text has it.
enum class TangentialUnit { kPerMm, kPerMm2 };

/// What somebody knows of the lens beside the file. It fills what the file does not say, and takes
/// the place of what it does say.
struct Known {
  std::optional<ImageSize> plate_size = {};
  std::optional<lens::FilmBack> film_back = {};
  std::optional<double> pixel_aspect = {};
  std::optional<double> squeeze = {};
  std::optional<double> nominal_focal_mm = {};
  std::optional<double> focus_m = {};
  std::optional<double> t_stop = {};
  profile::Labels labels = {};  // those that are not empty
  std::string model = "auto";   // fitted where the file's form is none of ours
  TangentialUnit tangential = TangentialUnit::kPerMm;
  std::string program_version = "unknown";  // provenance
};

}  // namespace trueplate::exchange
