#pragma once

#include <vector>

#include "calib/plate/detail/shot.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// Finds the points that do not go with a robustly fitted scene and takes them out of `shot.used`:
/// single ones; the shorter part of a track that slipped; a track with many such points as a whole.
/// Returns the tracks concerned, the worst first.
std::vector<TrackFault> take_out_faults(const Scene& scene, Shot& shot);

}  // namespace trueplate::plate::detail
