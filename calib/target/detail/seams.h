#pragma once

#include <vector>

#include "calib/target/detail/lattice.h"

namespace trueplate::target::detail {

/// A lattice in parts that each go on evenly.
struct EvenParts {
  Lattice largest;
  std::vector<Lattice> others;
};

/// Cuts a lattice where the steps of whole columns or rows jump: two charts side by side, a print
/// that was cut and put together, a row that was skipped. Growing follows such a seam, since each
/// node is near its place; but a step differs from the mean of those before and behind by no more
/// than 0.06 of itself even for squares as large as a fifth of the half diagonal and a distortion
/// of -30 % in the corner. The median over a seam's length has to exceed kMostStepJump, or
/// kMostEndStepJump beside the last column, where only one side tells.
inline constexpr double kMostStepJump = 0.08;
inline constexpr double kMostEndStepJump = 0.2;
EvenParts cut_at_seams(const Lattice& lattice);

}  // namespace trueplate::target::detail
