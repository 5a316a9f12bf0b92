#pragma once

#include <string>

#include "calib/plate/placement.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate {

/// Frames a second of a USD stage that states none.
inline constexpr double kUsualFrameRate = 24.0;

/// The camera and the tracks' points as a USD stage in text form (.usda, Universal Scene
/// Description, an open standard; UsdGeomCamera and UsdGeomPoints as documented in its release
/// 23.11, from memory). Y up, lengths in centimetres (metersPerUnit 0.01), so that focal length and
/// apertures, which USD counts in tenths of the unit, are in mm. Time codes are the frame numbers
/// of the tracks, `frame_rate` of them a second: a stage of another rate would stretch the camera's
/// time by the ratio. Frames without a camera have no sample.
///
/// The camera is a pinhole: CG rendered through it lies on the plate straightened by `solve.lens`,
/// which the stage's documentation names.
[[nodiscard]] std::string usd_text(const Tracks& tracks,
                                   const CameraSolve& solve,
                                   const PlacedScene& scene,
                                   double frame_rate = kUsualFrameRate);

}  // namespace trueplate::plate
