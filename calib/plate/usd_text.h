#pragma once

#include <string>

#include "calib/plate/placement.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate {

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
