#pragma once

#include "calib/base/image.h"
#include "calib/target/detail/grow.h"

namespace trueplate::target::detail {

/// Measures dots of a square grid, with the local map that a prediction gives, so that a node is
/// the image of a dot's centre (dot.h). A node is a round, whole dot near its place, of a size and
/// contrast like its neighbours'; its width_px is the dot's diameter, its contrast is negative for
/// dark dots. `image` must outlive the probe.
Probe dot_probe(ImageView<const float> image, Effort effort);

}  // namespace trueplate::target::detail
