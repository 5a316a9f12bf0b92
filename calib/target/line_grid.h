#pragma once

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"

namespace trueplate::target {

/// Finds a grid of crossing lines and measures the crossings (line_crossing.h), as images of where
/// the lines' middles cross on the chart. Input, result and errors as for detect_chart().
///
/// The lines may be dark or light and have any width up to about half of the pitch; both are read
/// from the picture. A crossing counts when all four arms are in sight: the ends of lines at a
/// frame line do not. chart.columns and chart.rows count crossings.
///
/// Nothing on such a chart marks an origin; x points most to the right of the turns that fit.
Result<Detection> detect_lines(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options = {});

}  // namespace trueplate::target
