#include "calib/fit/detail/f_test.h"

#include <cmath>

namespace trueplate::fit::detail {
namespace {

/// The continued fraction of the incomplete beta function, M. Abramowitz and I. A. Stegun, Handbook
/// of Mathematical Functions, 26.5.8, by Lentz's method.
double beta_fraction(double x, double a, double b) {
  constexpr double kTiny = 1e-300;
  constexpr int kMaxTerms = 10000;
  const auto away_from_zero = [](double v) { return std::abs(v) < kTiny ? kTiny : v; };
  double c = 1.0;
  double d = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
  double result = d;
  for (int m = 1; m < kMaxTerms; ++m) {
    const double even = m * (b - m) * x / ((a + 2 * m - 1.0) * (a + 2 * m));
    d = 1.0 / away_from_zero(1.0 + even * d);
    c = away_from_zero(1.0 + even / c);
    result *= d * c;
    const double odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1.0));
    d = 1.0 / away_from_zero(1.0 + odd * d);
    c = away_from_zero(1.0 + odd / c);
    result *= d * c;
    if (std::abs(d * c - 1.0) < 1e-14) break;
  }
  return result;
}

/// Regularised incomplete beta function I_x(a, b).
double incomplete_beta(double x, double a, double b) {
  if (!(x > 0.0)) return 0.0;
  if (!(x < 1.0)) return 1.0;
  const double front = std::exp(std::lgamma(a + b) - std::lgamma(a) - std::lgamma(b) +
                                a * std::log(x) + b * std::log1p(-x));
  // The fraction converges fast on one side only.
  if (x < (a + 1.0) / (a + b + 2.0)) return front * beta_fraction(x, a, b) / a;
  return 1.0 - front * beta_fraction(1.0 - x, b, a) / b;
}

}  // namespace

double f_tail(double f, double num_extra, double num_free) {
  if (!(f > 0.0)) return 1.0;
  return incomplete_beta(num_free / (num_free + num_extra * f), 0.5 * num_free, 0.5 * num_extra);
}

}  // namespace trueplate::fit::detail
