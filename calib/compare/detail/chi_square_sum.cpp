#include "calib/compare/detail/chi_square_sum.h"

#include <cmath>

#include "calib/base/chance.h"

namespace trueplate::compare::detail {

double chi_square_sum_tail(const Eigen::VectorXd& weights, double x) {
  const double c1 = weights.sum();
  const double c2 = weights.squaredNorm();
  const double c3 = weights.array().cube().sum();
  if (!(c2 > 0.0) || !(c3 > 0.0)) return x > c1 ? 0.0 : 1.0;
  // Degrees of freedom of the chi-square with the same skewness, then the same mean and spread.
  const double freedom = c2 * c2 * c2 / (c3 * c3);
  const double standard = (x - c1) / std::sqrt(2.0 * c2);
  const double at = freedom + standard * std::sqrt(2.0 * freedom);
  return chi_square_tail(at, freedom);
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
