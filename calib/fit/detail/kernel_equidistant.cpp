#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/equidistant.h"

namespace trueplate::fit::detail {

ModelKernel kernel_equidistant() { return KernelOf<lens::Equidistant>::table_row(); }

}  // namespace trueplate::fit::detail
