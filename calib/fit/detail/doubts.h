#pragma once

#include <vector>

#include "calib/base/warning.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// LensFit::warnings for a fit that is otherwise complete.
[[nodiscard]] std::vector<Warning> doubts(const LensFit& fit,
                                          const std::vector<target::View>& views,
                                          const FitOptions& options,
                                          int num_other_size);

}  // namespace trueplate::fit::detail
