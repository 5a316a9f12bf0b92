#pragma once

#include <vector>

#include "calib/base/warning.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// What LensFit does not carry.
struct DoubtInput {
  int num_other_size = 0;           // frames of another plate size
  double held_out_per_noise = 1.0;  // see HeldOut
};

/// LensFit::warnings for a fit that is otherwise complete.
[[nodiscard]] std::vector<Warning> doubts(const LensFit& fit,
                                          const std::vector<target::View>& views,
                                          const FitOptions& options,
                                          const DoubtInput& input);

}  // namespace trueplate::fit::detail
