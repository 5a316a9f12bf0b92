#pragma once

#include <cstddef>
#include <optional>

#include "warp/st_map.h"

namespace trueplate::warp {

/// No lens folds a tenth of the picture over; noise and maps of anything else stay below.
inline constexpr double kToldShare = 0.9;

enum class StChannel { kS, kT };
enum class Along { kRow, kColumn };  // to the right; downwards

/// How s or t changes from a pixel to the next, where it does so one way.
struct SteadyChange {
  bool grows = true;
  /// Of the pairs of neighbours that differ, those that change this way: above kToldShare.
  double share = 0.0;
};
/// nullopt where it changes both ways, or not at all. `st` holds s and t, NaN for no source.
[[nodiscard]] std::optional<SteadyChange> steady_change(const Image<float>& st,
                                                        StChannel channel,
                                                        Along along);

/// Where t counts from, as a map itself tells it: in a picture that is neither mirrored nor turned
/// upside down t grows downwards where it counts from the top, and upwards where from the bottom.
struct ToldOrigin {
  TOrigin origin = TOrigin::kBottomLeft;
  /// Of the pixels whose t differs from that of the pixel below, those that say so: above
  /// kToldShare.
  double share = 0.0;
};

/// nullopt where the map does not tell it. `st` holds s and t, NaN for no source.
[[nodiscard]] std::optional<ToldOrigin> told_origin(const Image<float>& st);

}  // namespace trueplate::warp
