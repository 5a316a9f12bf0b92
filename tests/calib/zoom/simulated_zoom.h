#pragma once

#include <vector>

#include "calib/lens/lens.h"
#include "calib/profile/profile.h"
#include "tests/support/field.h"

namespace trueplate::tests {

/// A zoom of 24 to 70 mm on a 2K plate of Super 35 width, of which everything is known. Barrel of
/// 4.5 % in the corner at 24 mm, pincushion of 1 % at 70 mm, a little moustache at the wide end;
/// the distortion changes with focus by more than a thin lens's does and not quite linearly in f /
/// (s - f), and so does the focal length (breathing); the axis wanders by some pixels.
lens::Lens true_zoom(double focal_mm, double focus_m);

/// Where it is calibrated.
struct StationAt {
  double focal_mm = 0.0;
  double focus_m = 0.0;
};
/// 24, 32, 42, 55, 70 mm at 0.6 m, 1.5 m and infinity.
std::vector<StationAt> five_by_three();

/// The calibration at one place: a fit to twelve views of a chart, corners with Gaussian noise.
profile::Station calibrated_station(const StationAt& at, double noise_px, unsigned seed);
std::vector<profile::Station> calibrated_stations(const std::vector<StationAt>& places,
                                                  double noise_px,
                                                  unsigned seed);

/// How far `found` images the rays that the true lens has at places all over the plate from those
/// places, in plate pixels, after the small rotation and common change of focal length that bring
/// it nearest. Derivatives are differences of positions; nothing of the interpolation is used. A
/// ray that `found` does not image counts as infinitely wrong.
FieldError solved_plate_error(const lens::Lens& found, const lens::Lens& truth);

}  // namespace trueplate::tests
