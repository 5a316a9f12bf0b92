#pragma once

#include <Eigen/Core>
#include <vector>

namespace trueplate::zoom::detail {

/// A smooth curve through values at knots that never leaves the span of the two values between
/// which it is, for many curves over the same knots at once.
///
/// A cubic Hermite interpolant. Its slopes are those of the cubic spline with the not-a-knot end
/// condition (C. de Boor, A Practical Guide to Splines, 1978; with three knots those of the
/// parabola, with two of the line), then limited where they would overshoot: to zero at a knot
/// where the values turn, else, smoothly, to three times the smaller of the slopes beside it (F. N.
/// Fritsch and R. E. Carlson, Monotone piecewise cubic interpolation, SIAM J. Numer. Anal. 17,
/// 1980; J. M. Hyman, Accurate monotonicity preserving cubic interpolation, SIAM J. Sci. Stat.
/// Comput. 4, 1983). Twice continuously differentiable where nothing is limited, once everywhere.
/// Beyond the outermost knots it goes on straight; with a single knot it is constant.
class MonotoneSpline {
 public:
  /// knots  at least one, strictly increasing
  explicit MonotoneSpline(std::vector<double> knots);

  [[nodiscard]] const std::vector<double>& knots() const { return knots_; }

  /// values  a curve a row, a knot a column. A row that holds NaN gives NaN.
  [[nodiscard]] Eigen::VectorXd at(const Eigen::MatrixXd& values, double x) const;

  /// How much each knot's value counts at x as long as nothing is limited; the sum is 1.
  [[nodiscard]] Eigen::VectorXd weights(double x) const;

  /// The same of a curve for noisy values: of each knot's slope its two neighbours alone decide, so
  /// that noise is hardly amplified, and nothing is limited, so that it moves smoothly with the
  /// values. It may leave the span of two values by a little.
  [[nodiscard]] Eigen::VectorXd calm_weights(double x) const;

  /// The interval x is in, or that next to it: its left knot. 0 with a single knot.
  [[nodiscard]] std::size_t interval(double x) const;

 private:
  [[nodiscard]] Eigen::VectorXd weights(double x, const Eigen::MatrixXd& slopes) const;

  std::vector<double> knots_;
  Eigen::MatrixXd slopes_;       // slope at knot i = row i times the values
  Eigen::MatrixXd calm_slopes_;  // the same
};

}  // namespace trueplate::zoom::detail
