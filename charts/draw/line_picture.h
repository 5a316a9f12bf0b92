#pragma once

#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::draw {

/// One edge in a picture of lines.
struct DrawnLine {
  std::string name;
  std::vector<Point2d> points_px;  // pixels of the frame, in order
  bool used = false;
  double bend_px = 0.0;  // largest distance from its best straight line, as photographed
};

/// A frame, and the lines that were found in it.
struct LineScene {
  std::string name;                  // of the frame
  ImageView<const float> luma = {};  // one channel, as for DetectionScene; empty: not read
  std::vector<DrawnLine> lines = {};
  std::string reason = {};  // why there are none
};

/// The frame in greys with its lines, for a person to judge; channels, scale and greys as those of
/// detection_picture(). Every meaning has a shape of its own, every stroke a dark rim:
///   solid      a line that the lens was fitted to, with its name and bend where these cover no
///              longer line's
///   dashed, a slash across its middle   a line left out
/// Pure; safe from any thread.
[[nodiscard]] Image<float> line_picture(const LineScene& scene);

}  // namespace trueplate::draw
