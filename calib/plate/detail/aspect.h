#pragma once

#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// Pixels that are not square, or a lens that squeezes, look like markers that are off and a focal
/// length far from the one given. Where a trial ends so, begins it with the ratios in use; if one
/// of them leaves much less noise, puts that first.
void try_aspects(const Tracks& tracks, const TrialOptions& options, Trial& trial);

}  // namespace trueplate::plate::detail
