#pragma once

#include <vector>

#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/no_fold.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// The fit of a model that needs a prior (ModelKernel::make_prior), as stiff as meets frames held
/// out best: first what is round about the axis, the rest at its stiffest, then the rest. From the
/// stiffest on a softer one is taken where it lowers LensFit::held_out_rms_px by more than rounding
/// and chance do. All are judged on the corners that a soft one kept. With too few frames to hold
/// any out the stiffest is taken; with FitOptions::held_out_folds 0 a soft one, and nothing is
/// judged. Kept from folding (fit_without_fold); where the fit fails, it is
/// made stiffer.
///
/// Errors: those of the fit of the simpler model, and of the model itself.
[[nodiscard]] Result<LensFit> fit_with_chosen_stiffness(const FitWithKernel& fit,
                                                        const ModelKernel& kernel,
                                                        const std::vector<target::View>& views,
                                                        const FitOptions& options);

}  // namespace trueplate::fit::detail
