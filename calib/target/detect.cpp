#include "calib/target/detect.h"

#include <fmt/format.h>

#include "calib/target/checkerboard.h"
#include "calib/target/dot_grid.h"
#include "calib/target/line_grid.h"

namespace trueplate::target {
namespace {

using Detector = Result<Detection> (*)(ImageView<const float>, const Chart&, const DetectOptions&);

// Null where there is none.
Detector detector_of(ChartKind kind) {
  switch (kind) {
    case ChartKind::kCheckerboard:
      return detect_checkerboard;
    case ChartKind::kLines:
      return detect_lines;
    case ChartKind::kDots:
    case ChartKind::kDotsStaggered:
      return detect_dots;
    case ChartKind::kCoded:
      return nullptr;
  }
  return nullptr;
}

}  // namespace

bool has_detector(ChartKind kind) { return detector_of(kind) != nullptr; }

Result<Detection> detect_chart(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options) {
  if (const Detector detector = detector_of(chart.kind)) return detector(luma, chart, options);
  return fail(ErrorCode::kUnsupported,
              fmt::format("chart: no detector for the kind {}", chart_kind_name(chart.kind)));
}

}  // namespace trueplate::target
