#include "charts/synth/detail/checks.h"

#include <fmt/format.h>

#include <cmath>

#include "charts/synth/chart_footage.h"

namespace trueplate::synth::detail {

Result<void> check_range(
    std::string_view where, std::string_view name, double value, double low, double high) {
  if (value >= low && value <= high) return {};
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: {} is {}, wanted {} to {}", where, name, value, low, high));
}

Result<void> check_chart(const target::Chart& chart) {
  if (!(std::isfinite(chart.pitch_mm) && chart.pitch_mm > 0.0)) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("chart: pitch is {} mm, wanted a finite number above zero", chart.pitch_mm));
  }
  if (chart.kind != target::ChartKind::kCheckerboard) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("chart: found a {}, can render a {} only",
                            target::chart_kind_name(chart.kind),
                            target::chart_kind_name(target::ChartKind::kCheckerboard)));
  }
  if (chart.columns < 1 || chart.rows < 1 || chart.columns > kMaxChartCorners ||
      chart.rows > kMaxChartCorners) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found {} x {} inner corners, wanted 1 to {} each",
                            chart.columns,
                            chart.rows,
                            kMaxChartCorners));
  }
  return {};
}

Result<void> check_rigid(std::string_view name, const Eigen::Isometry3d& pose) {
  const Eigen::Matrix3d& r = pose.linear();
  if (!pose.matrix().allFinite()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{} holds a number that is not finite", name));
  }
  const double off = (r * r.transpose() - Eigen::Matrix3d::Identity()).cwiseAbs().maxCoeff();
  if (off > 1e-6 || r.determinant() < 0.0) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{} is not a rotation and a shift: R R^T differs from 1 by {:.3g}, "
                            "determinant {:.3g}",
                            name,
                            off,
                            r.determinant()));
  }
  return {};
}

}  // namespace trueplate::synth::detail
