#pragma once

#include <array>
#include <cmath>
#include <cstddef>

namespace trueplate::target::detail {

/// The standard normal distribution function and its density at one place.
struct NormalAt {
  double below = 0.0;  // distribution function
  double density = 0.0;
};

/// Beyond this many standard deviations NormalTable::at() returns 0 or 1 and no density: 2e-6 away
/// from the exact values.
inline constexpr double kNormalReach = 4.8;

/// Both by cubic Hermite interpolation of exact values 1/64 apart, whose error is below 1e-9. The
/// fits spend most of their time here; std::erf and std::exp take three times as long.
class NormalTable {
 public:
  NormalTable();

  [[nodiscard]] NormalAt at(double t) const {
    if (!(std::abs(t) < kNormalReach)) return {t > 0.0 ? 1.0 : 0.0, 0.0};
    const double place = (t + kTableReach) * kPerUnit;
    const auto i = static_cast<std::size_t>(place);
    const double x = place - static_cast<double>(i);
    const NormalAt& a = entries_[i];
    const NormalAt& b = entries_[i + 1];
    const double t_a = t - x * kStep;
    const double t_b = t_a + kStep;
    return {cubic(x, a.below, b.below, a.density, b.density),
            cubic(x, a.density, b.density, -t_a * a.density, -t_b * b.density)};
  }

 private:
  static constexpr double kPerUnit = 64.0;
  static constexpr double kStep = 1.0 / kPerUnit;
  static constexpr double kTableReach = 5.0;
  static constexpr int kCount = 641;

  /// At the share x of a step, from the values a, b and derivatives da, db at both ends.
  static double cubic(double x, double a, double b, double da, double db) {
    const double rise = b - a;
    const double first = kStep * da;
    const double last = kStep * db;
    return a +
           x * (first + x * (3.0 * rise - 2.0 * first - last + x * (first + last - 2.0 * rise)));
  }

  std::array<NormalAt, kCount> entries_{};
};

extern const NormalTable kNormal;

}  // namespace trueplate::target::detail
