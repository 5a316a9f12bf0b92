#include <algorithm>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/fit/detail/spline_prior.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/spline_field.h"

namespace trueplate::fit::detail {
namespace {

/// The base is the simpler model; the rectangle is the prior's.
void grown(const double* radial_tangential, double* spline_field) {
  std::copy_n(radial_tangential, lens::SplineField::kNumBase, spline_field);
}

}  // namespace

ModelKernel kernel_spline_field() {
  ModelKernel kernel =
      KernelOf<lens::SplineField>::table_row(lens::RadialTangential::kName, &grown);
  kernel.make_prior = &spline_prior;
  return kernel;
}

}  // namespace trueplate::fit::detail
