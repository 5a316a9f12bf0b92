#include "calib/target/detect.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <utility>

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

/// What is wrong with a picture on which nothing can be found; empty where it is one.
std::string no_picture(ImageView<const float> luma) {
  float low = std::numeric_limits<float>::infinity();
  float high = -low;
  std::size_t num_bad = 0;
  for (int y = 0; y < luma.height; ++y) {
    for (int x = 0; x < luma.width; ++x) {
      const float value = luma.at(x, y);
      if (!std::isfinite(value)) {
        ++num_bad;
        continue;
      }
      low = std::min(low, value);
      high = std::max(high, value);
    }
  }
  const double num_all = static_cast<double>(luma.width) * luma.height;
  const double bad = 100.0 * static_cast<double>(num_bad) / num_all;
  if (bad > 50.0) return fmt::format("{:.0f} % of the picture's pixels are not numbers", bad);
  if (low == high) return fmt::format("the picture has one value ({:.3g}) throughout", low);
  return {};
}

}  // namespace

Result<Detection> detect_chart(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options) {
  Result<Detection> found = detector_of(chart.kind)(luma, chart, options);
  if (found || found.error().code != ErrorCode::kNoChart) return found;
  const std::string reason = no_picture(luma);
  if (reason.empty()) return found;
  return fail(ErrorCode::kNoChart, fmt::format("{}: {}", found.error().message, reason));
}

}  // namespace trueplate::target
