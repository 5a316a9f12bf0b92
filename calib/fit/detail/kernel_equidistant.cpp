#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/equidistant.h"

namespace trueplate::fit::detail {

ModelKernel kernel_equidistant() {
  ModelKernel kernel = KernelOf<lens::Equidistant>::table_row();
  kernel.begins_as_pinhole = false;
  return kernel;
}

}  // namespace trueplate::fit::detail
