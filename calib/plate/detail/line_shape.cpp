#include "calib/plate/detail/line_shape.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace trueplate::plate::detail {
namespace {

constexpr int kHighestDegree = 5;
constexpr int kLowestSlowDegree = 2;  // below are the line's own two parameters
constexpr int kHighestSlowestDegree = 3;
constexpr double kIndependent = 1e-6;  // of a polynomial from those of lower degree
constexpr double kLeastStructurePx = 1e-6;

/// Share of the mean at which chi-square has its median, and its spread after the cube root.
double cube_mean(int num_terms) { return 1.0 - 2.0 / (9.0 * num_terms); }
double cube_sigma(int num_terms) { return std::sqrt(2.0 / (9.0 * num_terms)); }

}  // namespace

LineShape shape_of(const WorldLine& line) {
  const auto n = static_cast<Eigen::Index>(line.feet.size());
  LineShape shape;
  if (n < 3) return shape;
  const auto [low, high] = std::minmax_element(line.feet.begin(), line.feet.end());
  const double middle = 0.5 * (*low + *high);
  const double half = std::max(0.5 * (*high - *low), 1e-300);
  const Eigen::Map<const Eigen::VectorXd> residuals(line.residuals_px.data(), n);
  Eigen::VectorXd rest = residuals;
  std::vector<Eigen::VectorXd> basis;
  for (int degree = 0; degree <= kHighestDegree; ++degree) {
    Eigen::VectorXd next(n);
    for (Eigen::Index i = 0; i < n; ++i) {
      next[i] = std::pow((line.feet[static_cast<std::size_t>(i)] - middle) / half, degree);
    }
    const double before = next.norm();
    for (int round = 0; round < 2; ++round) {
      for (const Eigen::VectorXd& other : basis) next -= other.dot(next) * other;
    }
    if (!(next.norm() > kIndependent * before)) break;
    next.normalize();
    const double share = next.dot(rest);
    rest -= share * next;
    basis.push_back(next);
    if (degree < kLowestSlowDegree) continue;
    ++shape.num_terms;
    shape.slow_squares += share * share;
    if (degree > kHighestSlowestDegree) continue;
    ++shape.num_slowest;
    shape.slowest_squares += share * share;
  }
  shape.amplitude_px = std::sqrt(shape.slow_squares / static_cast<double>(n));
  shape.num_rest = static_cast<int>(n) - static_cast<int>(basis.size());
  shape.rest_squares = rest.squaredNorm();
  return shape;
}

double typical_amplitude_px(const std::vector<LineShape>& shapes) {
  std::vector<double> amplitudes;
  for (const LineShape& shape : shapes) {
    if (shape.num_terms > 0) amplitudes.push_back(shape.amplitude_px);
  }
  if (amplitudes.empty()) return 0.0;
  const auto middle = amplitudes.begin() + static_cast<std::ptrdiff_t>(amplitudes.size() / 2);
  std::nth_element(amplitudes.begin(), middle, amplitudes.end());
  return *middle;
}

double typical_structure_px(const std::vector<LineShape>& shapes) {
  std::vector<double> squares;
  for (const LineShape& shape : shapes) {
    if (shape.num_terms == 0) continue;
    squares.push_back(shape.slow_squares / shape.num_terms /
                      std::pow(cube_mean(shape.num_terms), 3));
  }
  if (squares.empty()) return kLeastStructurePx;
  const auto middle = squares.begin() + static_cast<std::ptrdiff_t>(squares.size() / 2);
  std::nth_element(squares.begin(), middle, squares.end());
  return std::max(std::sqrt(*middle), kLeastStructurePx);
}

double excess_sigma(const LineShape& shape, double structure_px) {
  if (shape.num_terms == 0) return 0.0;
  const double ratio = shape.slow_squares / shape.num_terms / (structure_px * structure_px);
  return (std::cbrt(ratio) - cube_mean(shape.num_terms)) / cube_sigma(shape.num_terms);
}

}  // namespace trueplate::plate::detail
