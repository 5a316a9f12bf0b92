#pragma once

#include <vector>

#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/no_fold.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// The fit of a model that needs a prior (ModelKernel::make_prior), as stiff as meets frames held
/// out best: from a middle stiffness the ladder of kStiffnessPx is climbed as long as that lowers
/// LensFit::held_out_rms_px. All are judged on the corners that the middle one kept. With too few
/// frames to hold any out the stiffest is taken. Kept from folding (fit_without_fold); where that
/// fails, it is made stiffer.
///
/// Errors: those of the fit of the simpler model, and of the model itself.
[[nodiscard]] Result<LensFit> fit_with_chosen_stiffness(const FitWithKernel& fit,
                                                        const ModelKernel& kernel,
                                                        const std::vector<target::View>& views,
                                                        const FitOptions& options);

}  // namespace trueplate::fit::detail
