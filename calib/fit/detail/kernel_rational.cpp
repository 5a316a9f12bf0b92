#include <algorithm>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/rational.h"

namespace trueplate::fit::detail {
namespace {

/// k1, k2, k3, p1, p2 of the polynomial are those of a quotient with denominator 1.
void grown(const double* polynomial, double* rational) {
  std::fill_n(rational, lens::Rational::kNumParameters, 0.0);
  std::copy_n(polynomial, 3, rational);
  std::copy_n(polynomial + 3, 2, rational + 6);
}

}  // namespace

ModelKernel kernel_rational() {
  ModelKernel kernel = KernelOf<lens::Rational>::table_row(lens::RadialTangential::kName, &grown);
  // Numerator and denominator can grow together without end: the quotient then tends to a constant
  // times another quotient, and the constant is a change of focal length.
  kernel.pull_px = 0.02;
  return kernel;
}

}  // namespace trueplate::fit::detail
