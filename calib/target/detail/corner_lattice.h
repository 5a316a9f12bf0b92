#pragma once

#include <vector>

#include "calib/base/image.h"
#include "calib/target/detail/lattice.h"

namespace trueplate::target::detail {

/// The parts of checkerboards in an image, the largest first, each with kMinPieceNodes or more:
/// four candidates that form a square are a seed, which grows by predicting the next corners and
/// measuring them. Ends early when a part has `enough` nodes. `clear_share`: see SaddleOptions.
inline constexpr int kMinPieceNodes = 6;
std::vector<Lattice> corner_lattices(ImageView<const float> image, int enough, double clear_share);

}  // namespace trueplate::target::detail
