#pragma once

#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/view.h"

namespace trueplate::target {

/// Settings of detect_checkerboard(). The defaults suit photographs and scanned or digital plates.
struct DetectOptions {
  /// A frame whose longer side exceeds this is searched on a reduced copy; corners are always
  /// measured on the pixels given. At least 160.
  int search_side_px = 1280;
  /// Largest share of the chart's corners, 0..1, that may fail to be measured (covered, NaN,
  /// blown out) in a frame that still counts. The others are returned.
  double max_lost_share = 0.25;
};

/// Smallest image side detect_checkerboard() accepts, and the smallest grid, in inner corners.
inline constexpr int kMinDetectSidePx = 32;
inline constexpr int kMinGridCorners = 3;
/// Fewest corners of a chart whose grid is not known.
inline constexpr int kMinFreeCorners = 12;

/// Finds a checkerboard and measures its corners.
///
/// luma      one channel of any range and transfer: 0..1, linear HDR with negative values and
///           values beyond 1, log. NaN and infinity mean "no pixel". Dark and light may be swapped.
/// chart     kCheckerboard; columns and rows count inner corners, kMinGridCorners or more each.
///           Both 0: not known. Then whatever part of a checkerboard the frame shows is
///           returned, kMinFreeCorners or more, and its first column and row count from 0: a
///           corner of the print may have another place in another frame.
/// returns   the corners, row by row, each with its chart position (column, row) * pitch_mm, its
///           place in the frame of `luma` (origin top left, centre of pixel i at i + 0.5) and
///           sigma_px, the standard deviation of one coordinate as the local fit estimates it:
///           it covers noise and what the model of the corner does not explain. Corners that
///           cannot be measured are left out, see DetectOptions::max_lost_share.
///
/// The grid is right-handed as seen from the front: when x points right on the chart, y points
/// down. Where columns + rows is odd, the colours tell the two ends apart, and the origin is the
/// end whose outer corner square is dark: repeatable over any rotation. Where it is even, the chart
/// looks the same after half a turn (a square grid of even size: after a quarter turn), and the
/// origin is the one that lets x point most to the right; for a calibration that makes no
/// difference, since only the pose absorbs it. `9x6` and `6x9` name the same board, turned.
///
/// Errors    kInvalidInput: an image of wrong shape or too small, a chart or options that make no
///           sense. kNoChart: no such grid, or a grid that is not the one asked for (the chart
///           goes on past it). Never a guess: each corner is checked to be a crossing of two edges
///           of the right polarity, and the grid to be smooth.
/// Pure; safe from any thread.
Result<std::vector<Corner>> detect_checkerboard(ImageView<const float> luma,
                                                const Chart& chart,
                                                const DetectOptions& options = {});

}  // namespace trueplate::target
