#pragma once

#include <vector>

#include "calib/plate/detail/shot.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// Notes which of the faulty tracks change places: in one frame each is where the other one was
/// about to be, farther apart than `least_px`.
void note_swaps(const Shot& shot, double least_px, std::vector<TrackFault>& faults);

}  // namespace trueplate::plate::detail
