#pragma once

#include <vector>

#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/calibrate.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::detail {

/// From so many standard deviations on the frames contradict a focal length that was given.
inline constexpr double kFocalDisagrees = 3.0;

/// Holds a fit whose focal length was kept (FocalMode::kFixed, at
/// CalibrateOptions::nominal_focal_mm) against what the same frames say when it is free. Where they
/// tell it and contradict, the fit gets the warning `focal-disagrees` (value: standard deviations
/// between the two), first of all.
///
/// Errors   that of `kept`, with what the frames say instead where they say anything. So that a
///          wrong focal length is told from frames that no lens fits.
Result<fit::LensFit> held_against_frames(Result<fit::LensFit> kept,
                                         const std::vector<target::View>& views,
                                         const fit::FitOptions& fit_options,
                                         const CalibrateOptions& options);

}  // namespace trueplate::detail
