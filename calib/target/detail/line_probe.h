#pragma once

#include "calib/base/image.h"
#include "calib/target/detail/grow.h"

namespace trueplate::target::detail {

/// Measures crossings of lines. A node is a crossing near its place, its lines along the grid, of a
/// width and contrast like its neighbours'; it is the image of where the lines' middles cross on
/// the chart: the bends of the prediction correct what perspective does to the middle between
/// a line's edges. width_px is the mean of both lines; the contrast is negative for dark lines.
/// `image` must outlive the probe.
Probe line_probe(ImageView<const float> image, Effort effort);

}  // namespace trueplate::target::detail
