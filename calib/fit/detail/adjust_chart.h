#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>

#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

/// Least squares over intrinsics, poses and the chart's values, the poses eliminated: time and
/// memory are linear in the number of views and grow with the square of the number of the chart's
/// values. The views' corners must be numbered; their own chart_mm are ignored. Levenberg and
/// Marquardt's method; the four displacements of the print that poses absorb are held at zero by a
/// penalty, which the solution meets exactly because they change no residual.
///
/// `values` is start and result, like `state`. AdjustOptions::cauchy_scale is ignored.
AdjustSummary adjust_with_chart(const ModelKernel& kernel,
                                std::span<const ViewPoints* const> views,
                                const ChartModel& model,
                                const AdjustOptions& options,
                                Adjusted& state,
                                ChartValues& values);

/// Blocks of (J^T J)^-1 with the poses eliminated.
struct ChartInformation {
  Eigen::MatrixXd intrinsics;  // rows and columns of a fixed focal length are 0
  Eigen::MatrixXd shared;
  Eigen::MatrixXd print;
};
/// nullopt when the views do not determine intrinsics and chart together.
[[nodiscard]] std::optional<ChartInformation> inverse_information_with_chart(
    const ModelKernel& kernel,
    std::span<const ViewPoints* const> views,
    const ChartModel& model,
    int num_fixed,
    const Adjusted& state,
    const ChartValues& values);

}  // namespace trueplate::fit::detail
