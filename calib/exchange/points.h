#pragma once

#include <cstddef>
#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/csv.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"

namespace trueplate::exchange {

/// Which way points go through the lens.
enum class PointsDirection {
  kUndistort,  // from the plate to the straightened picture
  kRedistort,  // from the straightened picture back to the plate
  kToRays,     // from the plate to rays, which exist 90 degrees and more off the axis, too
  kFromRays,   // from rays back to the plate
};

/// By how many pixels the straight picture is larger than the plate, for points that are counted
/// from the top-left corner of that picture instead of the plate's: tracks made on a straightened
/// plate with overscan, in programs that know no data windows.
struct StraightFrame {
  int left = 0;
  int top = 0;
  int right = 0;
  int bottom = 0;
};

/// What happened to the points of one file.
struct PointsReport {
  std::size_t num_rows = 0;
  std::size_t num_moved = 0;  // rows with a point, and an answer
  std::size_t num_gaps = 0;   // rows whose x and y were blank, or NaN; they stay as they are
  /// Rows whose point the lens cannot map: beyond the edge of its domain, where several straight
  /// points would share one place on the plate. The row is kept, its x and y become blank.
  std::size_t num_without_answer = 0;
  std::vector<std::size_t> lines_without_answer;  // the first kMaxListedLines of them
  double max_shift_px = 0.0;   // largest distance a point moved; 0 where there are rays
  double max_angle_deg = 0.0;  // largest angle of a ray off the axis; 0 where there are none
  /// Points whose place on the plate (before undistorting, after redistorting) is outside it, where
  /// the lens was not measured, and the largest distance of one from the plate.
  std::size_t num_outside_plate = 0;
  double max_outside_px = 0.0;
  ImageSize image_size;      // the pixel frame of the points
  bool lens_scaled = false;  // `# image:` differs in size (not shape) from the calibrated plate

  static constexpr std::size_t kMaxListedLines = 20;
};

struct TransformedPoints {
  std::string text;  // the file to write
  PointsReport report;
};

/// Sends the columns `x` and `y` of a points or tracks CSV (calib/base/csv.h) through `lens`, in
/// plate pixels (origin at the top-left corner of the display window, x right, y down, the centre
/// of pixel i at i + 0.5; both pictures share this frame, so points in overscan are negative or
/// beyond the size). Everything else passes through byte for byte. Numbers are written as the
/// shortest text that reads back as the same double; undistort and redistort return to the start
/// within kPointsRoundTripPx.
///
/// Rays are unit vectors in camera axes (x right, y down, z forward) in the columns `ray_x`,
/// `ray_y`, `ray_z`, which take the place of `x` and `y` and may have any length when read. Values
/// pass through; quotes, blank lines and line ends are written anew then. A file that has columns
/// of both kinds is refused.
///
/// With a comment `# image: WIDTHxHEIGHT` of the calibrated size the lens is used as it is. Another
/// size of the same shape (to the rounding of one pixel) means the same plate scaled, and the lens
/// is scaled to it. Another shape is refused: nobody can tell whether it was cropped or padded.
/// Without the comment the calibrated size is assumed.
///
/// With a `straight` frame that is larger than the plate, points of the straight picture are
/// counted from its corner. The comment has to be of the calibrated plate (undistorting) or of the
/// straight picture (redistorting), and is rewritten to the other's size.
///
/// A row is a gap where x and y are blank or one of them is NaN. `columns` is for files that call
/// their columns otherwise than `x` and `y`, or `ray_x` and so on.
///
/// Errors name line and column: a missing column, text that is not a number, x without y.
Result<TransformedPoints> transform_points(std::string content,
                                           std::string source,
                                           const lens::Lens& lens,
                                           PointsDirection direction,
                                           const StraightFrame& straight = {},
                                           const ColumnNames& columns = {});

/// The same from file to file; the output appears whole or not at all. `program` is what the
/// comment `# program:` of the output is to say (with_comment()); empty: what that of the input
/// says.
Result<PointsReport> transform_points_file(const std::filesystem::path& input,
                                           const std::filesystem::path& output,
                                           const lens::Lens& lens,
                                           PointsDirection direction,
                                           Overwrite overwrite,
                                           const StraightFrame& straight = {},
                                           const ColumnNames& columns = {},
                                           std::string_view program = {});

/// Largest distance between a point and its undistorted and redistorted self, for points of the
/// plate and focal lengths up to 10000 px.
inline constexpr double kPointsRoundTripPx = 1e-9;

}  // namespace trueplate::exchange
