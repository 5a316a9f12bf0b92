#pragma once

#include "calib/base/geometry.h"
#include "calib/fit/detail/held_focal.h"
#include "calib/fit/fit.h"

namespace trueplate::fit::detail {

/// The fit that takes FitOptions::chart_distance_mm into account, given what the views say by
/// themselves. A square-on chart fixes only the ratio of focal length and distance; a distance
/// then names the focal length. Where the views tell it too (`free` succeeded), the two are
/// weighted means of each other: along the valley of nearly equal fits both are Gaussian, and
/// across it the distance says nothing.
///
/// Errors: those of `free` that a distance does not mend; kUndetermined where no focal length
/// gives the frames that distance.
Result<LensFit> fit_with_chart_distance(const FitFunction& fit,
                                        const FitOptions& options,
                                        ImageSize plate,
                                        const Result<LensFit>& free);

}  // namespace trueplate::fit::detail
