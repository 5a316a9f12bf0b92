#include <algorithm>
#include <array>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/rational.h"

namespace trueplate::fit::detail {
namespace {

// At a noise of 0.1 px: coefficients of 0 +- 1.
constexpr std::array<double, lens::Rational::kNumParameters> kPullPx{
    0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1};

/// Barrel distortion gets the denominator (1 - k1 r2)^2, which has no pole, and the numerator that
/// makes the quotient the polynomial up to r2^3. From a denominator of 1 the fit of a wide lens may
/// run against a pole that lies between the start and the solution.
void grown(const double* polynomial, double* rational) {
  const double k1 = polynomial[0];
  const double k2 = polynomial[1];
  const double k3 = polynomial[2];
  const double root = std::max(0.0, -k1);
  const double a = 2.0 * root;
  const double b = root * root;
  rational[0] = k1 + a;
  rational[1] = k2 + k1 * a + b;
  rational[2] = k3 + k2 * a + k1 * b;
  rational[3] = a;
  rational[4] = b;
  rational[5] = 0.0;
  std::copy_n(polynomial + 3, 2, rational + 6);
}

}  // namespace

ModelKernel kernel_rational() {
  ModelKernel kernel = KernelOf<lens::Rational>::table_row(lens::RadialTangential::kName, &grown);
  // Numerator and denominator can grow together without end: the quotient then tends to a constant
  // times another quotient, and the constant is a change of focal length.
  kernel.pull_px = kPullPx;
  return kernel;
}

}  // namespace trueplate::fit::detail
