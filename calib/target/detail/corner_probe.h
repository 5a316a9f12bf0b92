#pragma once

#include <optional>

#include "calib/base/image.h"
#include "calib/target/detail/grow.h"
#include "calib/target/saddle.h"

namespace trueplate::target::detail {

Node node_of(const Saddle& saddle);

/// The guess for fit_saddle() at a predicted place.
SaddleGuess guess_at(const Prediction& at, double blur_px);

/// Measures checkerboard corners of a lattice of the given parity, see parity_of(). A node is one
/// with the right colours, near its place, with edges along the grid and looks like the others.
/// `image` must outlive the probe.
Probe corner_probe(ImageView<const float> image, int parity, const SaddleOptions& options = {});

}  // namespace trueplate::target::detail
