#include "charts/synth/detail/noise.h"

#include <cmath>
#include <numbers>

namespace trueplate::synth::detail {

double gaussian(std::uint64_t seed, std::uint64_t index) {
  const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform(seed, 2 * index)));
  return radius * std::cos(2.0 * std::numbers::pi * uniform(seed, 2 * index + 1));
}

}  // namespace trueplate::synth::detail
