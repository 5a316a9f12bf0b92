#pragma once

#include <optional>
#include <span>
#include <vector>

#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

/// LensFit::held_out_rms_px for views in canonical order; `fitted` is the fit to all of them, where
/// the partial fits begin. nullopt when the views left over do not determine the lens in any fold.
[[nodiscard]] std::optional<double> held_out_rms(const ModelKernel& kernel,
                                                 std::span<const ViewPoints* const> views,
                                                 const Adjusted& fitted,
                                                 bool fix_focal,
                                                 int num_folds,
                                                 int threads);

}  // namespace trueplate::fit::detail
