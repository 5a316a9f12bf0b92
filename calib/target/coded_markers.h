#pragma once

#include <array>
#include <vector>

#include "calib/target/coded_layout.h"

namespace trueplate::target {

/// The modules of one marker: [row][column], true where it is dark.
using MarkerModules = std::array<std::array<bool, kCodedMarkerModules>,
                                 static_cast<std::size_t>(kCodedMarkerModules)>;

/// The markers of kCodedDictionary with the identities 0 .. count - 1, count at most kCodedNumIds.
[[nodiscard]] std::vector<MarkerModules> coded_markers(int count);

}  // namespace trueplate::target
