#pragma once

#include "calib/fit/detail/kernel.h"

namespace trueplate::fit::detail {

// One function for each model, in a source of its own, so that the solver's templates are compiled
// once and in parallel.
[[nodiscard]] ModelKernel kernel_radial_tangential();
[[nodiscard]] ModelKernel kernel_rational();
[[nodiscard]] ModelKernel kernel_rational_prism();
[[nodiscard]] ModelKernel kernel_rational_prism_tilt();
[[nodiscard]] ModelKernel kernel_free_centre();
[[nodiscard]] ModelKernel kernel_division_1();
[[nodiscard]] ModelKernel kernel_division_2();
[[nodiscard]] ModelKernel kernel_anamorphic_4();
[[nodiscard]] ModelKernel kernel_anamorphic_6();
[[nodiscard]] ModelKernel kernel_equidistant();
[[nodiscard]] ModelKernel kernel_spline_field();

}  // namespace trueplate::fit::detail
