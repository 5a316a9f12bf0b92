#pragma once

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"

namespace trueplate::target {

/// Finds a chart of the given kind and measures its points, on the full-resolution pixels.
///
/// luma      one channel of any range and transfer: 0..1, linear HDR with negative values and
///           values beyond 1, log. NaN and infinity mean "no pixel". Dark and light may be swapped.
/// chart     with a known grid the frame has to show that grid (of a coded chart: a part of it),
///           see the detector of the kind.
///           Without one (columns = rows = 0) whatever part of a chart the frame shows is returned,
///           kMinFreePoints or more.
/// returns   each point with its chart position, its place in the frame of `luma` (origin top
///           left, centre of pixel i at i + 0.5) and sigma_px, the standard deviation of one
///           coordinate. Points that cannot be measured are left out.
///
/// The grid is right-handed as seen from the front: when x points right on the chart, y points
/// down.
///
/// Errors    kInvalidInput: an image of wrong shape or too small, a chart or options that make no
///           sense. kNoChart: no chart, or not the one asked for. Never a guess.
/// Pure; safe from any thread.
Result<Detection> detect_chart(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options = {});

}  // namespace trueplate::target
