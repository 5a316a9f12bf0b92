#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/division.h"

namespace trueplate::fit::detail {

ModelKernel kernel_division_1() { return KernelOf<lens::DivisionOneTerm>::table_row(); }

ModelKernel kernel_division_2() { return KernelOf<lens::DivisionTwoTerms>::table_row(); }

}  // namespace trueplate::fit::detail
