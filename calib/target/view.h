#pragma once

#include <limits>
#include <string>
#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::target {

/// One grid crossing: where it is on the chart and where it was seen.
struct Corner {
  Eigen::Vector3d p_chart_mm = {0.0, 0.0, 0.0};  // z is 0 on a flat chart
  Point2d p_plate_px = {0.0, 0.0};
  double sigma_px = std::numeric_limits<double>::quiet_NaN();  // NaN: not known
};

/// The corners seen in one frame.
struct View {
  std::string frame;     // the frame's name, for messages and reports
  ImageSize plate_size;  // the display window
  std::vector<Corner> corners;
};

}  // namespace trueplate::target
