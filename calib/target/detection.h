#pragma once

#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/target/chart.h"
#include "calib/target/view.h"

namespace trueplate::target {

/// Settings of every detector. The defaults suit photographs and scanned or digital plates.
struct DetectOptions {
  /// A frame whose longer side exceeds this is searched on a reduced copy; points are always
  /// measured on the pixels given. At least 160.
  int search_side_px = 1280;
  /// Largest share of the points of a chart of known grid, 0..1, that may fail to be measured
  /// (covered, NaN, blown out) in a frame that still counts. The others are returned. Without a
  /// known grid it does not apply.
  double max_lost_share = 0.25;
};

/// Smallest image side a detector accepts, and the smallest grid that can be asked for, in points.
inline constexpr int kMinDetectSidePx = 32;
inline constexpr int kMinGridPoints = 3;
/// Fewest points of a chart whose grid is not known.
inline constexpr int kMinFreePoints = 12;

/// Which point of the print counts as column 0 and row 0.
enum class Origin {
  kArbitrary,  // the first one in sight, or one of several that look the same
  kMarked,     // fixed by something on the print: the same point in every frame
};

/// A chart as found in one frame.
struct Detection {
  /// Row by row; chart positions as chart.h defines them. All belong to one grid: columns and
  /// rows count on across holes.
  std::vector<Corner> corners;
  Origin origin = Origin::kArbitrary;
  /// Parts of a chart, or second charts, that were seen but whose columns and rows could not be
  /// tied to those of `corners` with certainty; they are left out.
  int num_dropped_pieces = 0;
  int num_dropped_corners = 0;
  /// Where those were seen, to about a pixel of the reduced copy that was searched: for showing.
  std::vector<Point2d> dropped_px;
  double blur_px = 0.0;  // of a typical point: standard deviation, the pixel's own area included
  std::vector<Warning> warnings;
};

/// What every detector asks of its input; the error is kInvalidInput.
Result<void> check_detection_input(ImageView<const float> luma,
                                   const Chart& chart,
                                   const DetectOptions& options);

}  // namespace trueplate::target
