#include "calib/lens/detail/gradient_domain.h"

#include <algorithm>
#include <cmath>

#include "calib/lens/polynomial.h"

namespace trueplate::lens::detail {
namespace {

using Even = std::array<double, 4>;         // coefficients of 1, r^2, r^4, r^6
using Product = std::array<double, 7>;      // of 1, r^2, ..., r^12
using Polynomial = std::array<double, 14>;  // of 1, r, ..., r^13

Product product(const Even& a, const Even& b) {
  Product result{};
  for (std::size_t i = 0; i < a.size(); ++i) {
    for (std::size_t j = 0; j < b.size(); ++j) result[i + j] += a[i] * b[j];
  }
  return result;
}

/// r times the derivative by r.
Even scaled_slope(const Even& a) {
  Even result{};
  for (std::size_t i = 0; i < a.size(); ++i) result[i] = 2.0 * static_cast<double>(i) * a[i];
  return result;
}

/// even(r) - factor r d^2(r), or the like: the even powers from one product, the odd ones from
/// another.
Polynomial interleaved(const Product& even, const Product& odd, double factor) {
  Polynomial result{};
  for (std::size_t i = 0; i < even.size(); ++i) {
    result[2 * i] = even[i];
    result[2 * i + 1] = factor * odd[i];
  }
  return result;
}

double first_root(const Polynomial& p) {
  const bool finite = std::all_of(p.begin(), p.end(), [](double c) { return std::isfinite(c); });
  return finite ? first_positive_root(p) : 0.0;
}

}  // namespace

double gradient_domain_radius(const Even& numerator, const Even& denominator, double decentering) {
  // With R = n / d, everything times d^2, which is positive up to the first root of d:
  // A d^2 = (n + r n') d - n r d',  R d^2 = n d.
  const Product nd = product(numerator, denominator);
  const Product slope_n_d = product(scaled_slope(numerator), denominator);
  const Product n_slope_d = product(numerator, scaled_slope(denominator));
  Product a{};
  Product sum{};
  for (std::size_t i = 0; i < a.size(); ++i) {
    a[i] = nd[i] + slope_n_d[i] - n_slope_d[i];
    sum[i] = a[i] + 3.0 * nd[i];
  }
  const Product dd = product(denominator, denominator);
  Product above_smallest = product(denominator, {1.0});
  above_smallest[0] -= kSmallestDenominator;
  return std::min({first_root(interleaved(above_smallest, Product{}, 0.0)),
                   first_root(interleaved(a, dd, -6.0 * decentering)),
                   first_root(interleaved(sum, dd, -16.0 * decentering))});
}

}  // namespace trueplate::lens::detail
