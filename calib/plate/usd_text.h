#pragma once

#include <string>

#include "calib/plate/placement.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

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

/// The camera and the tracks' points as a USD stage in text form (.usda, Universal Scene
/// Description, an open standard; UsdGeomCamera and UsdGeomPoints as documented in its release
/// 23.11, from memory). Y up, lengths in centimetres (metersPerUnit 0.01), so that focal length and
/// apertures, which USD counts in tenths of the unit, are in mm. Time codes are the frame numbers
/// of the tracks. Frames without a camera have no sample.
///
/// The camera is a pinhole: CG rendered through it lies on the plate straightened by `solve.lens`.
[[nodiscard]] std::string usd_text(const Tracks& tracks,
                                   const CameraSolve& solve,
                                   const PlacedScene& scene);

}  // namespace trueplate::plate
