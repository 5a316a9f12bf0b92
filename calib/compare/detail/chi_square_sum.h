#pragma once

#include <Eigen/Core>

namespace trueplate::compare::detail {

/// The probability that the sum of weights[i] z[i]^2, z independent and normal, exceeds x. Weights
/// zero or more, at least one above. By the chi-square that has the sum's first three cumulants:
/// H. Liu, Y. Tang, H. H. Zhang, A new chi-square approximation to the distribution of
/// non-negative definite quadratic forms in non-central normal variables, Computational Statistics
/// and Data Analysis 53, 2009 (from memory; in the central case the form of E. S. Pearson, 1959).
/// Exact for equal weights; else within about 0.01 in the body and a tenth of itself in the tail.
[[nodiscard]] double chi_square_sum_tail(const Eigen::VectorXd& weights, double x);

/// The x that the sum exceeds with that probability, 1e-12 to 0.5.
[[nodiscard]] double chi_square_sum_quantile(const Eigen::VectorXd& weights, double probability);

}  // namespace trueplate::compare::detail
