#pragma once

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/exchange/conversion.h"
#include "calib/lens/film_back.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange {

/// The version of OpenTrackIO that is written.
inline constexpr std::array<int, 3> kOpenTrackIoVersion{1, 0, 1};

/// Names of the two directions: which way the coefficients go.
inline constexpr std::string_view kUndistortedToDistorted = "Brown-Conrady U-D";
inline constexpr std::string_view kDistortedToUndistorted = "Brown-Conrady D-U";  // where none

/// Coefficients of one direction: of the formula U (OpenLensIO 1.0.0, equations 16 and 17)
///     U(e)_x = e_x R + 2 p1 e_x e_y + p2 (r^2 + 2 e_x^2)
///     U(e)_y = e_y R + 2 p2 e_x e_y + p1 (r^2 + 2 e_y^2)
///     R = (1 + k1 r^2 + k3 r^4 + k5 r^6) / (1 + k2 r^2 + k4 r^4 + k6 r^6)
/// with e in mm, y down.
struct LensSampleDistortion {
  std::string model{kDistortedToUndistorted};
  std::vector<double> radial;      // k1 .. k6 as above: numerator and denominator in turn; mm^-2n
  std::vector<double> tangential;  // p1, p2; mm^-1
  std::optional<double> overscan = {};
};

/// What an OpenTrackIO sample says of a lens (SMPTE RIS OSVP; schema as published), in the
/// standard's units.
struct LensSample {
  std::array<int, 3> version = kOpenTrackIoVersion;
  // static
  std::optional<lens::FilmBack> sensor_mm = {};
  std::optional<ImageSize> sensor_px = {};
  std::optional<double> squeeze = {};
  std::string camera_make = {};
  std::string camera_model = {};
  std::string lens_make = {};
  std::string lens_model = {};
  std::string lens_serial = {};
  std::optional<double> nominal_focal_mm = {};
  std::vector<std::string> calibration_history = {};
  // of the frame
  std::optional<double> focal_mm = {};  // the pinhole's
  std::optional<double> focus_m = {};
  std::optional<double> t_stop = {};
  std::optional<double> entrance_pupil_m = {};  // from the image plane, positive towards the scene
  std::optional<Point2d> projection_offset_mm = {};  // from the sensor's middle, x right, y down
  std::optional<Point2d> distortion_offset_mm = {};  // from there
  std::vector<LensSampleDistortion> distortion = {};
  // what else the sample holds, by path
  std::vector<std::string> beyond = {};
};

/// Reads one sample. Fields of the lens that the standard does not have are refused, as its schema
/// refuses them.
/// errors  kUnreadable: no JSON, another protocol, values out of range, by path.
Result<LensSample> parse_open_track_io(std::string_view text, std::string_view source);

/// The sample as JSON; `beyond` is not written.
[[nodiscard]] std::string open_track_io_text(const LensSample& sample);

/// The lens of a sample. Its U-D coefficients are taken as they are where a model of ours has their
/// form; D-U ones, and such with a distortion offset that none has, are fitted.
///
/// warnings  `tangential-unit`: tangential terms that mean another lens in the unit of the
///           published conversion text; `radial-order`: two or three radial numbers, as somebody
///           would write a plain polynomial; `no-distortion`.
/// errors    kUndetermined: the plate's size, sensor or focal length are neither in the sample nor
///           known; kUnsupported: a model or numbers of terms beyond the standard's; kNotConverged:
///           the field folds; kInvalidInput: numbers no profile may hold.
Result<Taken> lens_from_sample(const LensSample& sample,
                               const Known& known,
                               std::string_view source);

/// A station of a profile as OpenTrackIO JSON, "Brown-Conrady U-D". The standard has one focal
/// length for both axes: a ratio other than that of the plate goes into the sensor's height.
/// errors  kUndetermined: no film back; kNotConverged: no likeness.
Result<Written> open_track_io_of(const profile::Profile& profile, const profile::Station& station);

}  // namespace trueplate::exchange
