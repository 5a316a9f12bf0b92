#include <algorithm>
#include <array>
#include <span>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/thin_prism.h"

namespace trueplate::fit::detail {
namespace {

// As for the rational model. A tilted sensor is still a pinhole, of another principal point and
// other focal lengths: only the distortion, which keeps its centre, tells them apart, and
// decentering and prism terms do nearly the same to it. At a noise of 0.1 px: s of 0 +- 0.1, angles
// of 0 +- 0.05.
constexpr std::array<double, lens::RationalPrismTilt::kNumParameters> kPullPx{
    0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 1.0, 1.0, 1.0, 1.0, 2.0, 2.0};
constexpr std::span<const double> kPullWithoutTilt(kPullPx.data(),
                                                   lens::RationalPrism::kNumParameters);

/// The further terms begin at 0.
template <class Simpler, class Model>
void grown(const double* simpler, double* coefficients) {
  std::fill_n(coefficients, Model::kNumParameters, 0.0);
  std::copy_n(simpler, Simpler::kNumParameters, coefficients);
}

}  // namespace

ModelKernel kernel_rational_prism() {
  ModelKernel kernel = KernelOf<lens::RationalPrism>::table_row(
      lens::Rational::kName, &grown<lens::Rational, lens::RationalPrism>);
  kernel.pull_px = kPullWithoutTilt;
  return kernel;
}

ModelKernel kernel_rational_prism_tilt() {
  ModelKernel kernel = KernelOf<lens::RationalPrismTilt>::table_row(
      lens::RationalPrism::kName, &grown<lens::RationalPrism, lens::RationalPrismTilt>);
  kernel.pull_px = kPullPx;
  return kernel;
}

}  // namespace trueplate::fit::detail
