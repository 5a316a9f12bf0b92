#pragma once

#include <cstddef>
#include <cstdint>
#include <span>

// One row of pixels between the two ways it is held: channel by channel, as files have it, and
// interleaved, as pictures have it.
namespace trueplate::footage::detail {

/// A row of one channel: halves as their bits (std::uint16_t), or 32-bit samples (float or
/// unsigned integer), which are moved and never computed with.
struct PlaneRow {
  void* samples = nullptr;
  bool is_half = false;
};

/// Channel c of pixel x is planes[c] at x, as float, into pixels[x * planes.size() + c]. Every half
/// has its float, infinities and NaN (payloads too) among them.
void merge_planes(std::span<const PlaneRow> planes, std::size_t count, float* pixels);

/// The way back. To half is to the nearest, of two the even one, as Imath rounds it, on every
/// processor alike; what is finite and would round to infinity becomes 65504 with its sign.
/// returns  how many samples that were
std::int64_t split_planes(const float* pixels, std::size_t count, std::span<const PlaneRow> planes);

}  // namespace trueplate::footage::detail
