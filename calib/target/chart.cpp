#include "calib/target/chart.h"

namespace trueplate::target {

std::string_view chart_kind_name(ChartKind kind) {
  switch (kind) {
    case ChartKind::kCheckerboard:
      return "checkerboard";
    case ChartKind::kLines:
      return "lines";
    case ChartKind::kDots:
      return "dots";
    case ChartKind::kDotsStaggered:
      return "dots-staggered";
    case ChartKind::kCoded:
      return "coded";
  }
  return "unknown";
}

std::optional<ChartKind> chart_kind_from_name(std::string_view name) {
  for (const ChartKind kind : kChartKinds)
    if (chart_kind_name(kind) == name) return kind;
  return std::nullopt;
}

}  // namespace trueplate::target
