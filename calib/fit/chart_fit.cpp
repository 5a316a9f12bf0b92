#include "calib/fit/chart_fit.h"

#include <array>
#include <utility>

namespace trueplate::fit {
namespace {

constexpr std::array<std::pair<ChartShape, std::string_view>, 5> kNames = {{
    {ChartShape::kAuto, "auto"},
    {ChartShape::kFlat, "flat"},
    {ChartShape::kStretched, "stretched"},
    {ChartShape::kBent, "bent"},
    {ChartShape::kMisprinted, "misprinted"},
}};

}  // namespace

std::string_view chart_shape_name(ChartShape shape) {
  for (const auto& [value, name] : kNames) {
    if (value == shape) return name;
  }
  return "unknown";
}

std::optional<ChartShape> chart_shape_from_name(std::string_view name) {
  for (const auto& [value, known] : kNames) {
    if (known == name) return value;
  }
  return std::nullopt;
}

ChartShape shape_found(const ChartFit& chart) {
  if (chart.print_error_mm) return ChartShape::kMisprinted;
  if (chart.bend_degree > 0) return ChartShape::kBent;
  return chart.pitch_ratio ? ChartShape::kStretched : ChartShape::kFlat;
}

}  // namespace trueplate::fit
