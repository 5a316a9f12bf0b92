#pragma once

#include <cstdint>

namespace trueplate::synth::detail {

/// A number that depends on nothing but the seed and the index, so that the order in which pixels
/// are made does not matter. mix() is one step of SplitMix64 (Steele, Lea, Flood, Fast splittable
/// pseudorandom number generators, OOPSLA 2014).
[[nodiscard]] constexpr std::uint64_t mix(std::uint64_t z) {
  z += 0x9e3779b97f4a7c15U;
  z = (z ^ (z >> 30U)) * 0xbf58476d1ce4e5b9U;
  z = (z ^ (z >> 27U)) * 0x94d049bb133111ebU;
  return z ^ (z >> 31U);
}
[[nodiscard]] constexpr std::uint64_t hash(std::uint64_t seed, std::uint64_t index) {
  return mix(mix(seed) ^ index);
}

/// Uniform in [0, 1).
[[nodiscard]] constexpr double uniform(std::uint64_t seed, std::uint64_t index) {
  return static_cast<double>(hash(seed, index) >> 11U) * 0x1.0p-53;
}

/// Normally distributed with mean 0 and standard deviation 1 (Box and Muller, 1958).
[[nodiscard]] double gaussian(std::uint64_t seed, std::uint64_t index);

}  // namespace trueplate::synth::detail
