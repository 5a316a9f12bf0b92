#include "calib/compare/detail/chi_square_sum.h"

#include <cmath>
#include <limits>

namespace trueplate::compare::detail {
namespace {

/// The regularised upper incomplete gamma function Q(a, x), a above 0, x zero or more: the series
/// of its complement where that converges fast, else the continued fraction, by Lentz's method
/// (NIST Digital Library of Mathematical Functions, 8.7.1 and 8.9.2).
double upper_gamma(double a, double x) {
  constexpr int kMaxTerms = 10000;
  constexpr double kEnough = 1e-15;
  if (!(x > 0.0)) return 1.0;
  const double front = std::exp(a * std::log(x) - x - std::lgamma(a));
  if (x < a + 1.0) {
    double term = 1.0 / a;
    double sum = term;
    for (int n = 1; n < kMaxTerms && term > kEnough * sum; ++n) {
      term *= x / (a + n);
      sum += term;
    }
    return 1.0 - front * sum;
  }
  constexpr double kTiny = std::numeric_limits<double>::min();
  double b = x + 1.0 - a;
  double c = 1.0 / kTiny;
  double d = 1.0 / b;
  double fraction = d;
  for (int n = 1; n < kMaxTerms; ++n) {
    const double numerator = -n * (n - a);
    b += 2.0;
    d = 1.0 / (numerator * d + b);
    c = b + numerator / c;
    fraction *= c * d;
    if (std::abs(c * d - 1.0) < kEnough) break;
  }
  return front * fraction;
}

}  // namespace

double chi_square_sum_tail(const Eigen::VectorXd& weights, double x) {
  const double c1 = weights.sum();
  const double c2 = weights.squaredNorm();
  const double c3 = weights.array().cube().sum();
  if (!(c2 > 0.0) || !(c3 > 0.0)) return x > c1 ? 0.0 : 1.0;
  // Degrees of freedom of the chi-square with the same skewness, then the same mean and spread.
  const double freedom = c2 * c2 * c2 / (c3 * c3);
  const double standard = (x - c1) / std::sqrt(2.0 * c2);
  const double at = freedom + standard * std::sqrt(2.0 * freedom);
  return at <= 0.0 ? 1.0 : upper_gamma(0.5 * freedom, 0.5 * at);
}

double chi_square_sum_quantile(const Eigen::VectorXd& weights, double probability) {
  constexpr int kSteps = 200;
  double low = 0.0;
  double high = weights.sum() + 1e-300;
  while (chi_square_sum_tail(weights, high) > probability && std::isfinite(high)) high *= 2.0;
  for (int step = 0; step < kSteps; ++step) {
    const double middle = 0.5 * (low + high);
    (chi_square_sum_tail(weights, middle) > probability ? low : high) = middle;
  }
  return high;
}

}  // namespace trueplate::compare::detail
