#pragma once

#include <cstdint>

// What the stages of resampling hand on to each other; see resample_row.cpp.
namespace trueplate::warp::detail {

/// Pixels worked on at a time, so that positions and weights stay in the first-level cache.
inline constexpr int kBlock = 128;

/// More lanes than any vector has; room for whole vectors at the end of a block.
inline constexpr int kMaxLanes = 64;

/// Where the kernels of a block of pixels lie: the first pixel under each, in stored pixels, and
/// the fraction of the position. kAway when no stored pixel is under the kernel.
struct Places {
  alignas(64) std::int32_t x[kBlock + kMaxLanes];
  alignas(64) std::int32_t y[kBlock + kMaxLanes];
  alignas(64) float fraction_x[kBlock + kMaxLanes];
  alignas(64) float fraction_y[kBlock + kMaxLanes];
};
inline constexpr std::int32_t kAway = -1000;

/// Weights of a block of pixels: the first four and the others of each pixel.
struct Weights {
  alignas(64) float first[4 * (kBlock + kMaxLanes)];
  alignas(64) float second[4 * (kBlock + kMaxLanes)];
};

}  // namespace trueplate::warp::detail
