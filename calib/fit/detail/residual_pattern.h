#pragma once

#include <optional>
#include <vector>

#include "calib/fit/detail/view_points.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// Noise of the corner positions by themselves, per coordinate: from how much each used corner's
/// residual differs from the mean of its two neighbours on opposite sides. What changes slowly over
/// the chart (a lens the model cannot follow, a bent print) drops out of that difference, and white
/// noise of variance s^2 leaves 3/2 s^2. nullopt when there are fewer than 50 such triples.
///
/// The idea of judging a calibration by its smallest parts, which a wrong model cannot disturb, is
/// that of Hagemann, Knorr, Janssen and Stiller, Bias Detection and Prediction of Mapping Errors in
/// Camera Calibration, GCPR 2020, who use 2 x 2 blocks of corners; differences need no pose for
/// each block.
[[nodiscard]] std::optional<double> local_noise_px(const std::vector<target::View>& views,
                                                   const std::vector<FrameFit>& frames);

/// The same of one view; residuals are unweighted, 2 per corner.
[[nodiscard]] std::optional<double> local_noise_px(const ViewPoints& view,
                                                   const std::vector<double>& residuals,
                                                   const std::vector<char>& used);

}  // namespace trueplate::fit::detail
