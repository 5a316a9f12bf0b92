#include <array>
#include <cmath>
#include <functional>
#include <numbers>

#include "warp/detail/resample_plain.h"
#include "warp/detail/resample_row.h"

namespace trueplate::warp::detail {
namespace {

constexpr int kTerms = LanczosPolynomials::kTerms;

/// q_n(g) of the header, from the formula. g strictly between -1/2 and 1/2.
double quotient(int n, double g) {
  const double f = g + 0.5;
  double w[kMaxKernelWidth];
  filter_weights(Filter::kLanczos, f, w);
  return n < 2 ? w[n] / (f * (1.0 - f)) : (w[2] / (1.0 - f) - 1.0) / f;
}

/// Powers-of-z coefficients of the polynomial through `function` at the Chebyshev nodes of [0,
/// 1/4], by Newton's divided differences.
std::array<double, kTerms> interpolate(const std::function<double(double z)>& function) {
  std::array<double, kTerms> nodes{};
  std::array<double, kTerms> differences{};
  for (int k = 0; k < kTerms; ++k) {
    nodes[k] = 0.125 * (1.0 + std::cos(std::numbers::pi * (2 * k + 1) / (2.0 * kTerms)));
    differences[k] = function(nodes[k]);
  }
  for (int order = 1; order < kTerms; ++order) {
    for (int k = kTerms - 1; k >= order; --k) {
      differences[k] = (differences[k] - differences[k - 1]) / (nodes[k] - nodes[k - order]);
    }
  }
  // Horner on (z - node): multiply what is there by it, add the next difference.
  std::array<double, kTerms> powers{};
  for (int k = kTerms - 1; k >= 0; --k) {
    for (int i = kTerms - 1; i > 0; --i) powers[i] = powers[i - 1] - nodes[k] * powers[i];
    powers[0] = differences[k] - nodes[k] * powers[0];
  }
  return powers;
}

LanczosPolynomials make_polynomials() {
  LanczosPolynomials result{};
  for (int n = 0; n < 3; ++n) {
    const auto even = interpolate([n](double z) {
      const double g = std::sqrt(z);
      return 0.5 * (quotient(n, g) + quotient(n, -g));
    });
    const auto odd = interpolate([n](double z) {
      const double g = std::sqrt(z);
      return 0.5 * (quotient(n, g) - quotient(n, -g)) / g;
    });
    for (int i = 0; i < kTerms; ++i) {
      result.even[n][i] = static_cast<float>(even[i]);
      result.odd[n][i] = static_cast<float>(odd[i]);
    }
  }
  return result;
}

}  // namespace

const LanczosPolynomials& lanczos_polynomials() {
  static const LanczosPolynomials polynomials = make_polynomials();
  return polynomials;
}

}  // namespace trueplate::warp::detail
