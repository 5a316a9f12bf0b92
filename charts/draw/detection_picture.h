#pragma once

#include <string>

#include "calib/base/image.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"

namespace trueplate::draw {

/// A frame, and what was found in it.
struct DetectionScene {
  std::string name;  // of the frame
  /// As detection saw it: one channel of any range and transfer, NaN where there is no pixel.
  /// Empty: the frame could not be read.
  ImageView<const float> luma = {};
  target::Chart chart;  // the one looked for
  /// In pixels of `luma`, chart places in whole pitches; null: no chart was found.
  const target::Detection* detection = nullptr;
  std::string reason = {};  // why not
};

/// The longer side of the frame in the picture: larger frames are reduced to the first (area
/// averages), smaller ones enlarged by a whole factor towards the second.
inline constexpr int kLargestShownSide = 2048;
inline constexpr int kWantedShownSide = 1024;

/// Picture pixels for one pixel of the frame.
[[nodiscard]] double detection_picture_scale(ImageSize frame);

/// The frame in greys with what was found drawn over it, for a person to judge: three channels, R,
/// G and B, display coded, 0..1. Frame position p (centre of pixel i at i + 0.5) is at p times
/// detection_picture_scale(); the caption stands below.
///
/// Every meaning has a shape of its own, colours only help, and every stroke has a dark rim, so
/// that it shows on dark and on light:
///   open ring     a point, where it was measured; the pixel in its middle stays free
///   thin lines    from each point to the next along its row and along its column; dashed across
///                 places without a point
///   square, arrow the first point of the grid, and which way x points
///   numbers       columns along the first points of the columns, rows along those of the rows, as
///                 close as they fit; both at every tenth place
///   cross         a point that was seen and left out (Detection::dropped_px)
/// A frame without a chart carries the reason in a box.
///
/// Greys: from the 1st to the 99th percentile of what the points span (without points: of the
/// frame), with a power curve between those of display-coded and of linear pictures, chosen so that
/// the median becomes a mid grey.
/// Pure; safe from any thread.
[[nodiscard]] Image<float> detection_picture(const DetectionScene& scene);

}  // namespace trueplate::draw
