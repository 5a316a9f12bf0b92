#pragma once

#include <string>
#include <string_view>

#include "calib/lens/lens.h"

namespace trueplate::plate {

/// Film back and focal length as a computer graphics camera has them, in mm.
struct CameraApertures {
  double focal_mm = 0.0;
  double width_mm = 0.0;
  double height_mm = 0.0;
  double offset_x_mm = 0.0;  // of the picture's middle from the axis, right
  double offset_y_mm = 0.0;  // and up
};

/// The pinhole of a lens. Without a film back the picture is kAssumedWidthMm wide: a camera's
/// projection depends on the ratios only.
[[nodiscard]] CameraApertures apertures_of(const lens::Lens& lens);
inline constexpr double kAssumedWidthMm = 36.0;

/// The attributes of a USD camera (UsdGeomCamera) that state the pinhole of a lens, one a line, in
/// a stage whose metersPerUnit is 0.01: USD counts these in tenths of the unit, so they are in mm.
[[nodiscard]] std::string usd_pinhole_text(const lens::Lens& lens);

/// Text between double quotes, as USD's text form has it.
[[nodiscard]] std::string usd_quoted(std::string_view text);

}  // namespace trueplate::plate
