#pragma once

#include <cstddef>
#include <optional>

#include "warp/st_map.h"

namespace trueplate::warp {

/// Where t counts from, as a map itself tells it: in a picture that is neither mirrored nor turned
/// upside down t grows downwards where it counts from the top, and upwards where from the bottom.
struct ToldOrigin {
  TOrigin origin = TOrigin::kBottomLeft;
  /// Of the pixels whose t differs from that of the pixel below, those that say so: above
  /// kToldShare.
  double share = 0.0;
};
/// No lens folds a tenth of the picture over; noise and maps of anything else stay below.
inline constexpr double kToldShare = 0.9;

/// nullopt where the map does not tell it. `st` holds s and t, NaN for no source.
[[nodiscard]] std::optional<ToldOrigin> told_origin(const Image<float>& st);

}  // namespace trueplate::warp
