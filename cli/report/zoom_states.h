#pragma once

#include <cmath>
#include <limits>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/profile/profile.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::cli {

/// Places along one side of the map of states: focal lengths by their logarithm, focus distances by
/// their reciprocal, as the lens is interpolated.
struct StateAxis {
  double least = 0.0;  // of what is spaced evenly
  double most = 0.0;
  int count = 1;

  [[nodiscard]] double at(int i) const {
    return count == 1 ? least : least + (most - least) * i / (count - 1);
  }
  /// The place of a value, 0 to count - 1.
  [[nodiscard]] double place_of(double value) const {
    return count == 1 ? 0.0 : (count - 1) * (value - least) / (most - least);
  }
};

/// What can be asked at every state.
struct ZoomStates {
  const zoom::ZoomLens* lens = nullptr;
  StateAxis focal;     // ln mm
  StateAxis dioptres;  // 1/m
  bool has_focus = false;
  std::optional<double> t_stop;
  std::vector<std::optional<zoom::LensAtState>> found;   // row by row
  std::vector<std::optional<zoom::LensAtState>> beside;  // those around the stations' outline, too

  std::vector<Point2d> hull;  // of the stations, in columns and rows

  [[nodiscard]] const std::optional<zoom::LensAtState>& at(int column, int row) const {
    return found[static_cast<std::size_t>(row * focal.count + column)];
  }
  /// Whether the state is between stations, not only within the reach of each axis, or beside them
  /// by less than `margin` cells.
  [[nodiscard]] bool surrounded(double column, double row, double margin = 0.5) const;
  /// The lens there; nullopt where no stations surround it.
  [[nodiscard]] std::optional<zoom::LensAtState> lens_at(double focal_ln_mm,
                                                         double dioptres_per_m) const;
  [[nodiscard]] zoom::ZoomState state_at(double focal_ln_mm, double dioptres_per_m) const;
  [[nodiscard]] double focal_mm(int column) const { return std::exp(focal.at(column)); }
  [[nodiscard]] double focus_m(int row) const {
    const double d = dioptres.at(row);
    return d <= 0.0 ? std::numeric_limits<double>::infinity() : 1.0 / d;
  }
};

/// The states of a zoom between its stations; those that no stations surround are not asked for.
/// Refers to the lens.
[[nodiscard]] ZoomStates states_of(const profile::Profile& profile, const zoom::ZoomLens& lens);

/// "2.4 m", "infinity".
[[nodiscard]] std::string focus_text(double focus_m);

}  // namespace trueplate::cli
