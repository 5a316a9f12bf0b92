#include "calib/lens/polynomial.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>
#include <vector>

namespace trueplate::lens {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kRelativeWidth = 1e-13;

/// Coefficients of the polynomial in the Bernstein basis of [0, 1].
std::vector<double> bernstein_coefficients(const std::vector<double>& power) {
  const std::size_t degree = power.size() - 1;
  std::vector<double> result(power.size(), 0.0);
  for (std::size_t i = 0; i <= degree; ++i) {
    // b_i = sum_j C(i, j) / C(n, j) c_j
    double ratio = 1.0;
    for (std::size_t j = 0; j <= i; ++j) {
      result[i] += ratio * power[j];
      ratio *= static_cast<double>(i - j) / static_cast<double>(degree - j);
      if (j == degree) break;
    }
  }
  return result;
}

/// Left end of the first subinterval of [begin, end] that may hold a root and is narrower than the
/// tolerance; infinity when the polynomial is positive throughout.
double first_root_in(const std::vector<double>& b, double begin, double end, int depth) {
  if (*std::min_element(b.begin(), b.end()) > 0.0) return kInfinity;
  if (end - begin <= kRelativeWidth * end || depth == 0) return begin;
  // de Casteljau at the middle
  const std::size_t n = b.size();
  std::vector<double> work = b;
  std::vector<double> left(n);
  std::vector<double> right(n);
  for (std::size_t level = 0; level < n; ++level) {
    left[level] = work[0];
    right[n - 1 - level] = work[n - 1 - level];
    for (std::size_t i = 0; i + level + 1 < n; ++i) work[i] = 0.5 * (work[i] + work[i + 1]);
  }
  const double middle = 0.5 * (begin + end);
  const double in_left = first_root_in(left, begin, middle, depth - 1);
  if (in_left < kInfinity) return in_left;
  return first_root_in(right, middle, end, depth - 1);
}

}  // namespace

double first_positive_root(std::span<const double> coefficients) {
  assert(!coefficients.empty() && coefficients[0] > 0.0);
  std::vector<double> c(coefficients.begin(), coefficients.end());
  while (c.size() > 1 && c.back() == 0.0) c.pop_back();
  if (c.size() == 1) return kInfinity;

  // Scale r so that the largest |c_n / c_0|^(1/n) is one: then no root is below 1/2, and with the
  // reversed polynomial's bound none is above `bound`.
  double scale = 0.0;
  for (std::size_t n = 1; n < c.size(); ++n) {
    scale = std::max(scale, std::pow(std::abs(c[n] / c[0]), 1.0 / static_cast<double>(n)));
  }
  if (!(scale > 0.0) || !std::isfinite(scale)) return scale > 0.0 ? 0.0 : kInfinity;
  double power = 1.0;
  const double first = c[0];
  for (double& coefficient : c) {
    coefficient = coefficient / first * power;
    power /= scale;
  }
  // Octaves [1/2, 1], [1, 2], ... up to a bound beyond which no root exists (Cauchy).
  double largest = 0.0;
  for (std::size_t n = 0; n + 1 < c.size(); ++n) {
    largest = std::max(largest, std::abs(c[n] / c.back()));
  }
  const double bound = 1.0 + largest;
  for (double begin = 0.0, end = 0.5; begin < bound && std::isfinite(end);
       begin = end, end *= 2.0) {
    // p(begin + (end - begin) t) in powers of t, by repeated synthetic division.
    std::vector<double> shifted = c;
    for (std::size_t i = 0; i + 1 < shifted.size(); ++i) {
      for (std::size_t j = shifted.size() - 1; j-- > i;) shifted[j] += begin * shifted[j + 1];
    }
    double width_power = 1.0;
    for (double& coefficient : shifted) {
      coefficient *= width_power;
      width_power *= end - begin;
    }
    const double root = first_root_in(bernstein_coefficients(shifted), begin, end, 60);
    if (root < kInfinity) return root / scale;
  }
  return kInfinity;
}

}  // namespace trueplate::lens
