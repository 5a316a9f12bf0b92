#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/zoom/zoom_state.h"

namespace trueplate::zoom {

/// How the lens was set in one frame.
struct FrameState {
  int frame = 0;
  ZoomState state;
};

/// The states in a CSV text: a header row with `frame` and any of `focal` (or `focal_mm`), `focus`
/// (or `focus_m`), `t_stop`, in any order among any others. A focal length without a unit is in mm,
/// a focus distance in m; with one they are as on the command line (`35mm`, `2.5m`, `inf`). Blank
/// cells: not said. `source` names the file in messages.
///
/// errors  kInvalidInput and those of CsvTable, with line and column: none of the columns, cells
///         that are no such thing, a frame number that is no whole number or stands twice
Result<std::vector<FrameState>> parse_frame_states(std::string text, std::string source);

/// No longer smoothing is asked for.
inline constexpr double kMostSmoothFrames = 100.0;

/// The states with the noise of encoders taken off: at each frame the value of a straight line
/// through the states around it, weighted by a Gaussian over frame numbers with a standard
/// deviation of `frames` (0: as they are). Lines stay lines; nothing is delayed. Focal length and
/// T-stop by their logarithm, focus by its reciprocal. What some frame does not say is left alone
/// in all.
[[nodiscard]] std::vector<FrameState> smoothed(std::vector<FrameState> states, double frames);

}  // namespace trueplate::zoom
