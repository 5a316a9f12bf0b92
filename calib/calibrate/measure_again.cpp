#include <cmath>
#include <optional>
#include <vector>

#include "calib/calibrate.h"
#include "calib/calibrate/detail/used_frames.h"
#include "calib/calibrate/detail/visit_frames.h"

namespace trueplate {
namespace {

using detail::Corners;
using detail::UsedFrame;

void take_over(const Corners& again, DetectedFrame& detected, MeasuredAgain& sum) {
  for (std::size_t i = 0; i < again.size(); ++i) {
    if (!again[i]) {
      ++sum.num_lost;
      continue;
    }
    ++sum.num_corners;
    // A sum of squares until the end.
    sum.rms_shift_px += (again[i]->p_plate_px - detected.corners[i].p_plate_px).squaredNorm();
    detected.corners[i] = *again[i];
  }
}

}  // namespace

Result<MeasuredAgain> measure_again(const footage::FrameSet& frames,
                                    const Calibration& calibration,
                                    std::vector<DetectedFrame>& detected,
                                    const DetectFramesOptions& options) {
  const std::vector<UsedFrame> used = detail::used_frames(frames, calibration, detected);
  std::vector<std::optional<Corners>> again(used.size());
  const Result<void> visited = detail::visit_frames(
      detail::refs_of(used), options, [&](std::size_t place, const Result<footage::Frame>& frame) {
        if (!frame) return;
        const UsedFrame& known = used[place];
        Result<Corners> corners = detail::measured_again(
            *frame, options.plane, options.chart, detected[known.in_set].corners, known.predicted);
        if (corners) again[place] = *std::move(corners);
      });
  if (!visited) return fail(visited.error());
  MeasuredAgain sum;
  for (std::size_t i = 0; i < again.size(); ++i)
    if (again[i]) take_over(*again[i], detected[used[i].in_set], sum);
  if (sum.num_corners > 0) sum.rms_shift_px = std::sqrt(sum.rms_shift_px / sum.num_corners);
  return sum;
}

}  // namespace trueplate
