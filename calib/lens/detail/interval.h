#pragma once

#include <algorithm>
#include <cmath>
#include <limits>

namespace trueplate::lens::detail {

/// A set of numbers from `lower` to `upper`: arithmetic that holds for all of them, rounding
/// included (each result is widened by more than the rounding of the operation). NaN bounds mean
/// that nothing is known; every question about them is answered with no.
struct Interval {
  double lower = 0.0;
  double upper = 0.0;

  Interval() = default;
  Interval(double value) : lower(value), upper(value) {}  // NOLINT(google-explicit-constructor)
  Interval(double low, double high) : lower(low), upper(high) {}

  friend Interval operator-(const Interval& a) { return {-a.upper, -a.lower}; }
  friend Interval operator+(const Interval& a, const Interval& b) {
    return widened(a.lower + b.lower, a.upper + b.upper);
  }
  friend Interval operator-(const Interval& a, const Interval& b) { return a + -b; }
  friend Interval operator*(const Interval& a, const Interval& b) {
    const double p[4] = {
        a.lower * b.lower, a.lower * b.upper, a.upper * b.lower, a.upper * b.upper};
    // min and max pass over NaN, so it is looked for first.
    if (std::isnan(p[0] + p[1] + p[2] + p[3])) return unknown();
    return widened(std::min(std::min(p[0], p[1]), std::min(p[2], p[3])),
                   std::max(std::max(p[0], p[1]), std::max(p[2], p[3])));
  }
  friend Interval operator/(const Interval& a, const Interval& b) {
    if (!(b.lower > 0.0) && !(b.upper < 0.0)) return unknown();
    return a * widened(1.0 / b.upper, 1.0 / b.lower);
  }

  /// Whether all numbers are less than `limit` away from 0.
  [[nodiscard]] bool within(double limit) const { return lower > -limit && upper < limit; }

 private:
  static Interval unknown() {
    constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
    return {kNan, kNan};
  }
  static Interval widened(double low, double high) {
    constexpr double kShare = std::numeric_limits<double>::epsilon();
    constexpr double kTiny = std::numeric_limits<double>::min();
    return {low - (kShare * std::abs(low) + kTiny), high + (kShare * std::abs(high) + kTiny)};
  }
};

}  // namespace trueplate::lens::detail
