#pragma once

#include <optional>

#include "calib/base/warning.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// What speaks against s and t being positions across a picture: `no-source` (value 1) where no
/// pixel has any; `no-positions` (value: the larger share of the source that s or t spans) where
/// both span less than kLeastSpan of what the pixels with a source span of the picture, as
/// displacements do, or where neither changes steadily along a row or a column, as in a picture.
/// nullopt: nothing does. Maps of any orientation pass, and of a part of a picture.
[[nodiscard]] std::optional<Warning> position_doubt(const StMap& map);

/// A quarter: no lens and no overscan shrinks a picture like this all over.
inline constexpr double kLeastSpan = 0.25;

/// `half-map`: what the rounding of a map to half costs: half the step of its values, in source
/// pixels, both axes together. The value is the largest.
[[nodiscard]] Warning half_doubt(const StMap& map);

/// Standard deviation of that rounding, rms over 2-vectors in source pixels: each value is off by
/// anything up to half its step, alike, which has a variance of a twelfth of the step squared.
[[nodiscard]] double half_rounding_px(const StMap& map);

}  // namespace trueplate::warp
