#pragma once

#include <string>
#include <vector>

#include "calib/profile/profile.h"

namespace trueplate::zoom {

/// What was found out about something that stations may have in common.
struct PoolTest {
  std::string what;  // "principal point", "cylinder axis", "sensor tilt"
  std::string over;  // "all stations", "24 mm"
  int num_stations = 0;
  double chi_square = 0.0;
  int degrees = 0;       // of freedom
  double p_value = 1.0;  // the chance of such differences from noise alone
  bool pooled = false;
};

/// Stations whose values differ by more than noise does once in twenty times have nothing in
/// common.
inline constexpr double kLeastPoolChance = 0.05;

/// Makes common what stations may share: principal point, turn of the cylinder axis of an
/// anamorphic lens, tilt of the sensor. Each is taken for common to all stations, else to those of
/// one focal length, where a chi-square test on the estimates and their covariances does not speak
/// against it; their mean weighted by the inverse covariances then takes the place of each, the
/// other parameters of a station follow by their covariance with it (as if the stations had been
/// fitted together), and the covariances shrink. Figures of quality stay as they were.
///
/// Stations without covariance, and with what was held fixed, are left as they are. The tests come
/// back in the order in which they were made.
std::vector<PoolTest> pool(std::vector<profile::Station>& stations);

}  // namespace trueplate::zoom
