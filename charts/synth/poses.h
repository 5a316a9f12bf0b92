#pragma once

#include <Eigen/Geometry>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "calib/target/chart.h"

namespace trueplate::synth {

/// One placement of the board in front of the camera.
struct ChartPose {
  std::string name;                     // in words, such as "tilt-left"
  Eigen::Isometry3d camera_from_chart;  // mm
};

inline constexpr int kMaxPoses = 18;

struct PoseOptions {
  int count = 16;               // 1 .. kMaxPoses; the first twelve are the ones a fit needs most
  double border_squares = 1.0;  // white border of the board, visible as well
  double margin_px = 6.0;       // least distance from the border of the board to that of the plate
};

/// Places the board the way it is done on a test range: square-on and filling the frame, turned 15
/// to 45 degrees about both axes, rolled, and pushed into the corners and against the edges of the
/// frame, so that corners of the chart reach everywhere. In every frame the whole board, its border
/// included, lies on the plate.
///
/// errors   kInvalidInput for a lens or chart that is not valid, an option out of range, and a
///          lens through which a pose cannot be placed (it is named)
Result<std::vector<ChartPose>> make_poses(const lens::Lens& lens,
                                          const target::Chart& chart,
                                          const PoseOptions& options = {});

}  // namespace trueplate::synth
