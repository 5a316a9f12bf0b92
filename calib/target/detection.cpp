#include "calib/target/detection.h"

#include <fmt/format.h>

#include <cmath>

namespace trueplate::target {
namespace {

constexpr int kMaxGridPoints = 400;  // per side
constexpr int kMinSearchSidePx = 160;

}  // namespace

Result<void> check_detection_input(ImageView<const float> luma,
                                   const Chart& chart,
                                   const DetectOptions& options) {
  const auto in_range = [](int count) {
    return count >= kMinGridPoints && count <= kMaxGridPoints;
  };
  if (chart.grid_known() && !(in_range(chart.columns) && in_range(chart.rows)))
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found a grid of {}x{}, need {} to {} each way",
                            chart.columns,
                            chart.rows,
                            kMinGridPoints,
                            kMaxGridPoints));
  if (!(chart.pitch_mm > 0.0) || !std::isfinite(chart.pitch_mm))
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("chart: found a pitch of {} mm, need a positive length", chart.pitch_mm));
  if (options.search_side_px < kMinSearchSidePx || !(options.max_lost_share >= 0.0) ||
      !(options.max_lost_share <= 1.0))
    return fail(ErrorCode::kInvalidInput,
                fmt::format("detection options: found search_side_px {} and max_lost_share {}, "
                            "need {} or more and 0 to 1",
                            options.search_side_px,
                            options.max_lost_share,
                            kMinSearchSidePx));
  if (luma.data == nullptr || luma.channels != 1 || luma.width < kMinDetectSidePx ||
      luma.height < kMinDetectSidePx || luma.width > kMaxImageSide || luma.height > kMaxImageSide)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("image: found {}x{} with {} channels, need one channel and {} to {} "
                            "pixels each way",
                            luma.width,
                            luma.height,
                            luma.channels,
                            kMinDetectSidePx,
                            kMaxImageSide));
  return {};
}

}  // namespace trueplate::target
