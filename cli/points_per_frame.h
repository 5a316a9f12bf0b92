#pragma once

#include <string>

#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "calib/exchange/points.h"
#include "cli/per_frame.h"

namespace trueplate::cli {

/// exchange::transform_points_file() with the lens of each row's frame, which its column `frame`
/// names. Values of other columns pass through; quotes and line ends are written anew. Errors: a
/// frame that has no lens, by line; those of transform_points(), whose lines then count within the
/// rows of one frame.
Result<exchange::PointsReport> transform_points_per_frame(const std::string& input,
                                                          const std::string& output,
                                                          const FrameLenses& lenses,
                                                          exchange::PointsDirection direction,
                                                          Overwrite overwrite,
                                                          const exchange::StraightFrame& straight,
                                                          const ColumnNames& columns);

}  // namespace trueplate::cli
