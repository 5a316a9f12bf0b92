#pragma once

#include <cstdint>
#include <span>

#include "warp/detail/resample_plain.h"
#include "warp/detail/resample_row.h"

namespace trueplate::warp::detail {

/// Where some output pixels look, and the stored pixels nearest to there.
struct NearestPlaces {
  static constexpr int kBlock = 128;               // at a time: they stay in the first-level cache
  static constexpr int kMaxLanes = 16;             // room for a whole vector at the end
  alignas(64) std::int32_t x[kBlock + kMaxLanes];  // -1: no pixel
  alignas(64) std::int32_t y[kBlock + kMaxLanes];
  alignas(64) double u[kBlock + kMaxLanes];  // distances from the first pixel centre
  alignas(64) double v[kBlock + kMaxLanes];
};

/// Fills `places` for map values s, t, at most kBlock of them. The same bits on every processor,
/// those of nearest_index().
void find_nearest(const LookupSource& source,
                  const StScale& scale,
                  std::span<const float> st,
                  NearestPlaces& places);

/// The pixel a distance from the first pixel centre lies in, as stored; -1: none.
[[nodiscard]] int nearest_index(Edge edge, double u, int size);

}  // namespace trueplate::warp::detail
