#pragma once

#include "calib/base/result.h"
#include "calib/plate/detail/first_scene.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// Plate size, focal length and points of a trial, with the profile and without. Errors: those of
/// try_solve().
Result<Setup> set_up(const Tracks& tracks, const TrialOptions& options);

}  // namespace trueplate::plate::detail
