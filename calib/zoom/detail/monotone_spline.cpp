#include "calib/zoom/detail/monotone_spline.h"

#include <Eigen/LU>
#include <algorithm>
#include <cassert>
#include <cmath>
#include <utility>

namespace trueplate::zoom::detail {
namespace {

using Eigen::Index;

/// Row i: the slope of the interval behind knot i, as weights of the values.
Eigen::MatrixXd secants_of(const std::vector<double>& knots) {
  const auto count = static_cast<Index>(knots.size());
  Eigen::MatrixXd secants = Eigen::MatrixXd::Zero(count - 1, count);
  for (Index i = 0; i + 1 < count; ++i) {
    const auto k = static_cast<std::size_t>(i);
    secants(i, i + 1) = 1.0 / (knots[k + 1] - knots[k]);
    secants(i, i) = -secants(i, i + 1);
  }
  return secants;
}

/// Row i: the slope at knot i before it is limited.
Eigen::MatrixXd slopes_of(const std::vector<double>& knots) {
  const auto count = static_cast<Index>(knots.size());
  if (count == 1) return Eigen::MatrixXd::Zero(1, 1);
  const Eigen::MatrixXd secants = secants_of(knots);
  if (count == 2) return secants.replicate(2, 1);
  Eigen::VectorXd h(count - 1);
  for (Index i = 0; i + 1 < count; ++i) {
    const auto k = static_cast<std::size_t>(i);
    h[i] = knots[k + 1] - knots[k];
  }
  if (count == 3) {
    const double whole = h[0] + h[1];
    Eigen::MatrixXd slopes(3, 3);
    slopes.row(1) = (h[1] * secants.row(0) + h[0] * secants.row(1)) / whole;
    slopes.row(0) = 2.0 * secants.row(0) - slopes.row(1);
    slopes.row(2) = 2.0 * secants.row(1) - slopes.row(1);
    return slopes;
  }
  Eigen::MatrixXd left = Eigen::MatrixXd::Zero(count, count);
  Eigen::MatrixXd right(count, count);
  for (Index i = 1; i + 1 < count; ++i) {
    left(i, i - 1) = h[i];
    left(i, i) = 2.0 * (h[i - 1] + h[i]);
    left(i, i + 1) = h[i - 1];
    right.row(i) = 3.0 * (h[i] * secants.row(i - 1) + h[i - 1] * secants.row(i));
  }
  // The third derivative goes through the second knot, and through the last but one.
  const auto end =
      [&](Index knot, Index inner, double near, double far, Index near_secant, Index far_secant) {
        const double whole = near + far;
        left(knot, knot) = far;
        left(knot, inner) = whole;
        right.row(knot) = ((near + 2.0 * whole) * far * secants.row(near_secant) +
                           near * near * secants.row(far_secant)) /
                          whole;
      };
  const Index last = count - 1;
  end(0, 1, h[0], h[1], 0, 1);
  end(last, last - 1, h[last - 1], h[last - 2], last - 1, last - 2);
  return left.partialPivLu().solve(right);
}

/// The same of the mean of the secants beside it, the one over the shorter interval counting more;
/// at an end the secant.
Eigen::MatrixXd calm_slopes_of(const std::vector<double>& knots) {
  const auto count = static_cast<Index>(knots.size());
  if (count < 3) return slopes_of(knots);
  const Eigen::MatrixXd secants = secants_of(knots);
  Eigen::MatrixXd slopes(count, count);
  slopes.row(0) = secants.row(0);
  slopes.row(count - 1) = secants.row(count - 2);
  for (Index i = 1; i + 1 < count; ++i) {
    const auto k = static_cast<std::size_t>(i);
    const double before = knots[k] - knots[k - 1];
    const double behind = knots[k + 1] - knots[k];
    slopes.row(i) = (behind * secants.row(i - 1) + before * secants.row(i)) / (before + behind);
  }
  return slopes;
}

/// `value`, going to 0 smoothly where it is small beside `scale` (half of it at a tenth), and
/// otherwise as good as unchanged.
double faded(double value, double scale) {
  const double ratio = 0.1 * scale / value;
  return value / (1.0 + ratio * ratio * ratio * ratio);
}

/// The smaller of two numbers above zero, the corner rounded off; never more than either.
double rounded_minimum(double a, double b) {
  const double small = std::min(a, b);
  const double ratio = small / std::max(a, b);
  return small * std::pow(1.0 + std::pow(ratio, 8), -1.0 / 8.0);
}

/// A slope at which the curve stays between its neighbours: at most three times the smaller secant,
/// 0 where they differ in sign. It changes smoothly with the values, so that nothing jerks when
/// these change from frame to frame.
double limited(double slope, double before, double behind) {
  if (std::isnan(slope) || std::isnan(before) || std::isnan(behind)) return slope;
  if (before * behind <= 0.0 || slope * before <= 0.0) return 0.0;
  const auto [small, large] = std::minmax({std::abs(before), std::abs(behind)});
  const double most = 3.0 * faded(small, large);
  const double wanted = faded(std::abs(slope), small);
  if (most <= 0.0 || wanted <= 0.0) return 0.0;
  return std::copysign(rounded_minimum(wanted, most), slope);
}

/// Values of the four Hermite functions at t: of the left value, its slope times the width, the
/// right value, its slope times the width.
Eigen::Vector4d hermite(double t) {
  const double s = 1.0 - t;
  return {s * s * (1.0 + 2.0 * t), t * s * s, t * t * (3.0 - 2.0 * t), -t * t * s};
}

}  // namespace

MonotoneSpline::MonotoneSpline(std::vector<double> knots)
    : knots_(std::move(knots)), slopes_(slopes_of(knots_)), calm_slopes_(calm_slopes_of(knots_)) {
  assert(!knots_.empty());
}

std::size_t MonotoneSpline::interval(double x) const {
  if (knots_.size() < 3) return 0;
  const auto behind = std::upper_bound(knots_.begin() + 1, knots_.end() - 1, x);
  return static_cast<std::size_t>(behind - knots_.begin()) - 1;
}

Eigen::VectorXd MonotoneSpline::at(const Eigen::MatrixXd& values, double x) const {
  if (knots_.size() == 1) return values.col(0);
  const std::size_t k = interval(x);
  const auto left = static_cast<Index>(k);
  const auto last = static_cast<Index>(knots_.size()) - 1;
  const double width = knots_[k + 1] - knots_[k];
  const auto secant = [&](Index i) -> Eigen::VectorXd {
    const auto j = static_cast<std::size_t>(i);
    return (values.col(i + 1) - values.col(i)) / (knots_[j + 1] - knots_[j]);
  };
  const Eigen::VectorXd middle = secant(left);
  const Eigen::VectorXd before = left > 0 ? secant(left - 1) : middle;
  const Eigen::VectorXd behind = left + 1 < last ? secant(left + 1) : middle;
  Eigen::VectorXd slope_left = values * slopes_.row(left).transpose();
  Eigen::VectorXd slope_right = values * slopes_.row(left + 1).transpose();
  for (Index row = 0; row < values.rows(); ++row) {
    slope_left[row] = limited(slope_left[row], before[row], middle[row]);
    slope_right[row] = limited(slope_right[row], middle[row], behind[row]);
  }
  if (x < knots_.front()) return values.col(0) + (x - knots_.front()) * slope_left;
  if (x > knots_.back()) return values.col(last) + (x - knots_.back()) * slope_right;
  const Eigen::Vector4d h = hermite((x - knots_[k]) / width);
  return h[0] * values.col(left) + h[1] * width * slope_left + h[2] * values.col(left + 1) +
         h[3] * width * slope_right;
}

Eigen::VectorXd MonotoneSpline::weights(double x) const { return weights(x, slopes_); }

Eigen::VectorXd MonotoneSpline::weights(double x, const Eigen::MatrixXd& slopes) const {
  const auto count = static_cast<Index>(knots_.size());
  if (count == 1) return Eigen::VectorXd::Ones(1);
  const std::size_t k = interval(x);
  const auto left = static_cast<Index>(k);
  const double width = knots_[k + 1] - knots_[k];
  if (x < knots_.front()) {
    return Eigen::VectorXd::Unit(count, 0) + (x - knots_.front()) * slopes.row(0).transpose();
  }
  if (x > knots_.back()) {
    return Eigen::VectorXd::Unit(count, count - 1) +
           (x - knots_.back()) * slopes.row(count - 1).transpose();
  }
  const Eigen::Vector4d h = hermite((x - knots_[k]) / width);
  return h[0] * Eigen::VectorXd::Unit(count, left) + h[2] * Eigen::VectorXd::Unit(count, left + 1) +
         width * (h[1] * slopes.row(left) + h[3] * slopes.row(left + 1)).transpose();
}

Eigen::VectorXd MonotoneSpline::calm_weights(double x) const { return weights(x, calm_slopes_); }

}  // namespace trueplate::zoom::detail
