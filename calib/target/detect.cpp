#include "calib/target/detect.h"

#include <fmt/format.h>

#include "calib/target/checkerboard.h"

namespace trueplate::target {

Result<Detection> detect_chart(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options) {
  switch (chart.kind) {
    case ChartKind::kCheckerboard:
      return detect_checkerboard(luma, chart, options);
    case ChartKind::kLines:
    case ChartKind::kDots:
    case ChartKind::kDotsStaggered:
    case ChartKind::kCoded:
      break;
  }
  return fail(ErrorCode::kUnsupported,
              fmt::format("chart: no detector for the kind {}", chart_kind_name(chart.kind)));
}

}  // namespace trueplate::target
