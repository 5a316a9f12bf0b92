#include "calib/target/detect.h"

#include "calib/target/checkerboard.h"
#include "calib/target/coded_checkerboard.h"
#include "calib/target/dot_grid.h"
#include "calib/target/line_grid.h"

namespace trueplate::target {
namespace {

using Detector = Result<Detection> (*)(ImageView<const float>, const Chart&, const DetectOptions&);

Detector detector_of(ChartKind kind) {
  switch (kind) {
    case ChartKind::kCheckerboard:
      break;
    case ChartKind::kLines:
      return detect_lines;
    case ChartKind::kDots:
    case ChartKind::kDotsStaggered:
      return detect_dots;
    case ChartKind::kCoded:
      return detect_coded;
  }
  return detect_checkerboard;
}

}  // namespace

Result<Detection> detect_chart(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options) {
  return detector_of(chart.kind)(luma, chart, options);
}

}  // namespace trueplate::target
