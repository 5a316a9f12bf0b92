#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/fit/detail/held_focal.h"
#include "calib/fit/fit.h"

namespace trueplate::fit::detail {

/// The fit for views that leave the focal length undetermined: it is held at FitOptions::focal_px
/// or an assumed value among those that fit equally well, and the covariance is widened along the
/// valley of equally good fits. nullopt where the straightening (after camera rotation and a common
/// change of focal length) would depend on the assumption.
///
/// The valley is found by fits at focal lengths from 0.35 to 11 times the plate's longer side: the
/// profile likelihood of that one parameter.
[[nodiscard]] std::optional<LensFit> fit_with_assumed_focal(const FitFunction& fit,
                                                            const FitOptions& options,
                                                            ImageSize plate);

}  // namespace trueplate::fit::detail
