#include "calib/calibrate/detail/given_sizes.h"

#include <fmt/format.h>

#include <algorithm>
#include <limits>

namespace trueplate::detail {
namespace {

constexpr double kSmallestChartMm = 5.0;
constexpr double kLargestChartMm = 100'000.0;

/// Largest extent of a view's corners along an axis of the chart.
double extent_mm(const target::View& view) {
  Eigen::Vector3d low = Eigen::Vector3d::Constant(std::numeric_limits<double>::infinity());
  Eigen::Vector3d high = -low;
  for (const target::Corner& corner : view.corners) {
    if (!corner.p_chart_mm.allFinite()) continue;
    low = low.cwiseMin(corner.p_chart_mm);
    high = high.cwiseMax(corner.p_chart_mm);
  }
  return std::max(0.0, (high - low).maxCoeff());
}

}  // namespace

std::optional<Warning> chart_size(const std::vector<target::View>& views) {
  double largest_mm = 0.0;
  for (const target::View& view : views) largest_mm = std::max(largest_mm, extent_mm(view));
  if (largest_mm >= kSmallestChartMm && largest_mm <= kLargestChartMm) return std::nullopt;
  return Warning{
      "chart-size",
      fmt::format("the chart's points span {:.4g} mm: positions on the chart are in mm, do these "
                  "come in another unit? The straightening does not depend on it, distances do",
                  largest_mm),
      largest_mm};
}

}  // namespace trueplate::detail
