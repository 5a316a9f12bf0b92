#pragma once

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"

namespace trueplate::target {

/// Finds a coded checkerboard (coded_layout.h) and measures its corners; detect_chart() for
/// ChartKind::kCoded, which see for the arguments.
///
/// The corners are found and measured as those of a plain checkerboard, in windows that keep clear
/// of the markers; then the markers between them tell which corners they are. So corner (0, 0) of
/// the print is (0, 0) in every frame, whatever part of the chart the frame shows, and parts that
/// something divides belong together by their numbers however wide the gap: the origin is always
/// Origin::kMarked. Two markers or more that agree place a part. Where markers disagree, the
/// corners of the squares they stand in are left out, with the warning "markers-elsewhere" and the
/// number of these markers; parts that nothing ties to the others are left out with the warning
/// "dropped-pieces" and the number of corners.
///
/// A known grid (columns and rows of inner corners) is that of the print: a frame may show any part
/// of it, kMinFreePoints corners or more. max_lost_share does not apply.
///
/// Errors    kNoChart: too few corners; no two markers that agree (squares too small or blurred, or
/// a
///           plain checkerboard), which is never mended by a guess; a marker beyond the known grid.
Result<Detection> detect_coded(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options = {});

}  // namespace trueplate::target
