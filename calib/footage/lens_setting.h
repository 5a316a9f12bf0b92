#pragma once

#include <optional>

#include "calib/footage/frame.h"

namespace trueplate::footage {

/// How the lens was set, as the header of a frame says: attributes that the OpenEXR standard names.
struct LensSetting {
  /// nominalFocalLength, the number on the barrel, else effectiveFocalLength, else
  /// pinholeFocalLength; all in mm.
  std::optional<double> focal_mm;
  std::optional<double> focus_m;  // focus, in m; infinity is legal
  std::optional<double> t_stop;   // tStop
};

/// Of the first part that says anything. Numbers that are NaN, zero or below, and attributes of
/// other types than float or double, count as not said. Files of other formats say nothing.
[[nodiscard]] LensSetting lens_setting_of(const Frame& frame);

}  // namespace trueplate::footage
