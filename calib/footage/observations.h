#pragma once

#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/csv.h"
#include "calib/base/result.h"
#include "calib/target/view.h"

namespace trueplate::footage {

/// What was seen of a chart in some frames of one plate format: the content of an observations
/// file.
struct Observations {
  std::vector<target::View> views;   // all of one plate size
  std::vector<CsvComment> comments;  // every comment but `image`, in file order
};

/// The file format, a CSV file (calib/base/csv.h):
///
///     # image: 2048x1080
///     frame,chart_x_mm,chart_y_mm,x,y
///     grid.1001,0,0,312.4178,207.9053
///
/// `image` is the display window. One row is one corner; x and y are plate pixels (origin at the
/// top-left corner, x right, y down, the centre of pixel i at i + 0.5). Optional columns are
/// `chart_z_mm` (0 where blank or absent) and `sigma_px` (above zero; not known where blank or
/// absent). Other columns are ignored; other comments are kept. Rows of one frame need not stand
/// together: views and corners keep the order of their first appearance.
///
/// Refused, with line and column: a missing `image` or column, a cell that is not a finite number,
/// a frame without a name, a point farther outside the plate than the plate is wide or high, a
/// chart point given twice in one frame, a file without rows.
Result<Observations> parse_observations(std::string content, std::string source);
Result<Observations> read_observations(const std::filesystem::path& path);

/// The text of an observations file; numbers are lossless. The optional columns are written when a
/// corner needs them. Views without corners, of differing sizes or with what the reader would
/// refuse are errors.
Result<std::string> observations_text(const Observations& observations);
Result<void> write_observations(const std::filesystem::path& path,
                                const Observations& observations,
                                Overwrite overwrite);

}  // namespace trueplate::footage
