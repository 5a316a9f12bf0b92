#include <algorithm>
#include <array>
#include <cmath>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/free_centre.h"
#include "calib/lens/radial_tangential.h"

namespace trueplate::fit::detail {
namespace {

// Without distortion there is no centre.
constexpr std::array<double, lens::RadialFreeCentre::kNumParameters> kPullPx{
    0.0, 0.0, 0.0, 0.02, 0.02};

/// (p2, p1) = -k1 c to first order.
void grown(const double* radial_tangential, double* free_centre) {
  constexpr double kFarthest = 0.1;
  constexpr double kWeak = 1e-3;
  std::copy_n(radial_tangential, 3, free_centre);
  const double k1 = radial_tangential[0];
  const auto offset = [&](double p) {
    return std::abs(k1) > kWeak ? std::clamp(-p / k1, -kFarthest, kFarthest) : 0.0;
  };
  free_centre[3] = offset(radial_tangential[4]);
  free_centre[4] = offset(radial_tangential[3]);
}

}  // namespace

ModelKernel kernel_free_centre() {
  ModelKernel kernel =
      KernelOf<lens::RadialFreeCentre>::table_row(lens::RadialTangential::kName, &grown);
  kernel.pull_px = kPullPx;
  return kernel;
}

}  // namespace trueplate::fit::detail
