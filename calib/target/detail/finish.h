#pragma once

#include <string_view>

#include "calib/target/detail/lattice.h"
#include "calib/target/detection.h"

namespace trueplate::target::detail {

/// Fewest columns and rows of a chart whose grid is not known.
inline constexpr int kMinFreeSide = 3;

/// What a detection says of a node at a place on the chart.
Corner corner_of(const Node& node, double x_mm, double y_mm);

/// Counts a piece that is left out, and keeps where its nodes were seen.
void add_dropped(const Lattice& piece, Detection& detection);

/// Adds the warning `dropped-pieces` where parts were left out; `noun`: of several nodes.
void note_dropped(Detection& detection, std::string_view noun);

}  // namespace trueplate::target::detail
