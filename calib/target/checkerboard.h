#pragma once

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"

namespace trueplate::target {

/// Finds a checkerboard and measures its corners; detect_chart() for ChartKind::kCheckerboard,
/// which see for the arguments.
///
/// With a known grid (inner corners) the frame has to show all of it but for max_lost_share. Where
/// columns + rows is odd, the colours tell the two ends apart, and the origin is the end whose
/// outer corner square is dark: repeatable over any rotation. Where it is even, the chart looks
/// the same after half a turn (a square grid of even size: after a quarter turn), and the origin
/// is the one that lets x point most to the right; for a calibration that makes no difference,
/// since only the pose absorbs it. `9x6` and `6x9` name the same board, turned.
///
/// Without a known grid the first column and row in sight count 0: a corner of the print may have
/// another place in another frame. Parts of a board that something covers in between are joined
/// where the count of the covered squares is certain, see detail/join.h.
///
/// Errors    kNoChart: no such grid, or a grid that is not the one asked for (the chart goes on
///           past it). Never a guess: each corner is checked to be a crossing of two edges of the
///           right polarity, and to lie where its neighbours put it.
Result<Detection> detect_checkerboard(ImageView<const float> luma,
                                      const Chart& chart,
                                      const DetectOptions& options = {});

}  // namespace trueplate::target
