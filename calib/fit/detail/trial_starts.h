#pragma once

#include <vector>

#include "calib/fit/closed_form.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/screen.h"

namespace trueplate::fit::detail {

/// Starts for a model that without coefficients is no pinhole, so that the plate's homographies say
/// little: for each of a ladder of focal lengths (and the given one, if any) every view gets its
/// pose through the model without coefficients, principal point at the plate's centre. The starts
/// that leave the smallest residuals, best first.
[[nodiscard]] std::vector<StartPinhole> trial_starts(const ModelKernel& kernel,
                                                     const Screened& screened,
                                                     const StartOptions& options);

}  // namespace trueplate::fit::detail
