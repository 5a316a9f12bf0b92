#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/radial_tangential.h"

namespace trueplate::fit::detail {

ModelKernel kernel_radial_tangential() { return KernelOf<lens::RadialTangential>::table_row(); }

}  // namespace trueplate::fit::detail
