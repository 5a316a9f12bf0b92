#pragma once

#include <vector>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/target/view.h"

namespace trueplate::detail {

/// Whether a frame counts as an observation of its own.
[[nodiscard]] bool is_observed(const DetectedFrame& frame);

/// Whether a frame takes part in the fit.
[[nodiscard]] bool is_fitted(const DetectedFrame& frame);

[[nodiscard]] target::View view_of(const DetectedFrame& frame);

/// An error when no frame has a chart.
Result<void> any_chart(const std::vector<DetectedFrame>& frames);

/// Whether all frames with a chart count from a point that the print marks.
[[nodiscard]] bool all_marked(const std::vector<DetectedFrame>& frames);

/// The pixel aspect of most frames with a chart.
[[nodiscard]] double pixel_aspect_of(const std::vector<DetectedFrame>& frames);

}  // namespace trueplate::detail
