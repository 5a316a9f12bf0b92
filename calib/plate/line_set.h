#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"

namespace trueplate::plate {

/// Points along one edge as photographed, in plate pixels (origin at the top-left corner of the
/// display window, x right, y down, the centre of pixel i at i + 0.5), in any order.
struct LineChain {
  std::string name;   // unique within its frame
  std::string frame;  // empty: not known
  std::vector<Point2d> points_px;
};

/// Edges of one lens, one plate format.
struct LineSet {
  ImageSize plate_size;
  std::vector<LineChain> chains;
};

/// `frame: line NAME`, or `line NAME` where no frame is known; for messages.
[[nodiscard]] std::string title_of(const LineChain& chain);

/// The file format, a CSV file (calib/base/csv.h):
///
///     # image: 2048x1080
///     line,x,y
///     kerb,312.4178,207.9053
///
/// `image` is the display window, x and y are plate pixels. The optional column `frame` tells lines
/// of one name in several frames apart. Rows of a line need not stand together; lines keep the
/// order of their first appearance. Other columns are ignored.
///
/// Refused, with line and column: a missing `image` or column, a cell that is not a finite number,
/// a line without a name, a point farther outside the plate than the plate is wide or high, a file
/// without rows.
Result<LineSet> parse_lines(std::string content, std::string source);
Result<LineSet> read_lines(const std::filesystem::path& path);

/// The text of such a file; numbers are lossless. The column `frame` is written when a line has
/// one.
[[nodiscard]] std::string lines_text(const LineSet& lines);

}  // namespace trueplate::plate
