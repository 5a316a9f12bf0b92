#pragma once

#include <optional>

#include "calib/target/detail/lattice.h"
#include "calib/target/detail/lattice_shape.h"

namespace trueplate::target::detail {

/// Two parts of one chart, such as both sides of an arm, as one lattice with the indices of `a`.
///
/// Every quarter turn of `b` and every shift of its columns and rows near the one that `a`
/// continued suggests is tried; with alternating colours the colours have to fit. The two parts
/// belong together where one shift gives a smooth grid across the gap, to kMaxSeam of a step
/// (rms of the nodes beside the gap), and the second best one is kMinSeamRatio times as rough (and
/// as kSeamFloor): a gap too wide to count its squares, or a second chart, fails there and yields
/// nullopt.
inline constexpr double kMaxSeam = 0.03;
inline constexpr double kMinSeamRatio = 6.0;
inline constexpr double kSeamFloor = 0.004;
std::optional<Lattice> joined(const Lattice& a, const Lattice& b, Colours colours);

}  // namespace trueplate::target::detail
