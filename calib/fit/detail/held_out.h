#pragma once

#include <optional>
#include <span>
#include <vector>

#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

struct HeldOut {
  double rms_px = 0.0;  // see LensFit::held_out_rms_px
  /// What rms_px would be, per pixel of noise in each coordinate, if the lens were perfect: sqrt 2,
  /// and more because a pose from few corners carries their noise to the others.
  double per_noise = 0.0;
  std::vector<double> view_squares;  // sum of squares of each view; NaN where it was not judged
};

/// Judges views in canonical order; `fitted` is the fit to all of them, where the partial fits
/// begin. With a chart whose shape is fitted, each fold learns that anew from its own views, so
/// that the others judge it too; the views' corners must then be numbered. nullopt when the views
/// left over do not determine the lens in any fold.
[[nodiscard]] std::optional<HeldOut> held_out(const ModelKernel& kernel,
                                              std::span<const ViewPoints* const> views,
                                              const Adjusted& fitted,
                                              int num_fixed,
                                              int num_folds,
                                              int threads,
                                              const ChartModel* chart = nullptr);

}  // namespace trueplate::fit::detail
