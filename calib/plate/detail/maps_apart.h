#pragma once

#include <optional>

#include "calib/lens/lens.h"
#include "calib/plate/line_fit.h"

namespace trueplate::plate::detail {

/// A plate point is straightened by both lenses; the best scale and shift of each axis are fitted
/// away; what is left is taken back to the plate by `lens` to first order, so that it compares with
/// map_sigma_px. nullopt where one of the lenses does not straighten the whole plate.
[[nodiscard]] std::optional<MapsApart> maps_apart(const lens::Lens& lens, const lens::Lens& other);

}  // namespace trueplate::plate::detail
