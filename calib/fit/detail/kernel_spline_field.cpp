#include <algorithm>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/fit/detail/spline_prior.h"
#include "calib/lens/radial_tangential.h"
#include "calib/lens/spline_field.h"

namespace trueplate::fit::detail {
namespace {

using lens::SplineField;

/// What is round is that of the simpler model; the rectangle and k1, k2, k3 are the prior's.
void grown(const double* radial_tangential, double* spline_field) {
  const Eigen::Vector3d rest = Eigen::Map<const Eigen::Vector3d>(radial_tangential) -
                               Eigen::Map<const Eigen::Vector3d>(spline_field);
  const Point2d half(spline_field[SplineField::kHalfWidth], spline_field[SplineField::kHalfHeight]);
  const auto controls = SplineField::round_controls(rest, half);
  std::copy(controls.begin(), controls.end(), spline_field + SplineField::kFirstRound);
  std::copy_n(radial_tangential + 3, 2, spline_field + 3);
}

}  // namespace

ModelKernel kernel_spline_field() {
  ModelKernel kernel =
      KernelOf<lens::SplineField>::table_row(lens::RadialTangential::kName, &grown);
  kernel.make_prior = &spline_prior;
  return kernel;
}

}  // namespace trueplate::fit::detail
