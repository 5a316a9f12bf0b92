#pragma once

#include <array>
#include <vector>

#include "calib/target/coded_layout.h"

namespace trueplate::draw::detail {

/// The modules of one marker: [row][column], true where it is dark.
using MarkerModules = std::array<std::array<bool, target::kCodedMarkerModules>,
                                 static_cast<std::size_t>(target::kCodedMarkerModules)>;

/// The markers of target::kCodedDictionary with the identities 0 .. count - 1.
[[nodiscard]] std::vector<MarkerModules> coded_markers(int count);

}  // namespace trueplate::draw::detail
