#pragma once

#include <array>

namespace trueplate::target::detail {

/// The standard normal distribution function and its density at one place.
struct NormalAt {
  double below = 0.0;  // distribution function
  double density = 0.0;
};

/// Beyond this many standard deviations normal_at() returns 0 or 1 and no density: 2e-6 away from
/// the exact values.
inline constexpr double kNormalReach = 4.8;

/// Both by cubic Hermite interpolation of exact values 1/64 apart, whose error is below 1e-9. The
/// fits spend most of their time here; std::erf and std::exp take three times as long.
[[nodiscard]] NormalAt normal_at(double t);

}  // namespace trueplate::target::detail
