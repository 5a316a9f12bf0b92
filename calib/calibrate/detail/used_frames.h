#pragma once

#include <cstddef>
#include <optional>
#include <vector>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/fit/closed_form.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_set.h"
#include "calib/lens/lens.h"
#include "calib/target/chart.h"
#include "calib/target/view.h"

namespace trueplate::detail {

/// What a fit says of one frame: where a point of the chart is imaged.
struct Predicted {
  lens::Lens lens;
  fit::Pose camera_from_chart;

  [[nodiscard]] std::optional<Point2d> plate_px(const Point2d& p_chart_mm) const;
};

/// One frame of a set that a calibration used.
struct UsedFrame {
  footage::FrameRef ref;
  std::size_t in_set = 0;  // its place there, and in the list of detected frames
  Predicted predicted;
};

/// The frames that a calibration of `detected` used, in order.
[[nodiscard]] std::vector<UsedFrame> used_frames(const footage::FrameSet& frames,
                                                 const Calibration& calibration,
                                                 const std::vector<DetectedFrame>& detected);

[[nodiscard]] std::vector<footage::FrameRef> refs_of(const std::vector<UsedFrame>& used);

/// Corners of one frame; nullopt where one could not be measured.
using Corners = std::vector<std::optional<target::Corner>>;

/// target::measure_again() on one plane of a frame: one entry for each of `corners`, in plate
/// pixels. Errors: those of footage::plane_of().
Result<Corners> measured_again(const footage::Frame& frame,
                               footage::Plane plane,
                               const target::Chart& chart,
                               std::vector<target::Corner> corners,
                               const Predicted& predicted);

}  // namespace trueplate::detail
