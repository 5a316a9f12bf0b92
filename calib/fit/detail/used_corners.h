#pragma once

#include <vector>

#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// Only the corners that a fit to these views used, in the views it used.
[[nodiscard]] std::vector<target::View> used_corners(const std::vector<target::View>& views,
                                                     const LensFit& fit);

}  // namespace trueplate::fit::detail
