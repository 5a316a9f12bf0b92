#pragma once

#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// A fit that only shows how far a model is off: the chart is believed, nothing is held out, and
/// the lens may fold. `model` is a formula. Errors: those of fit_lens().
[[nodiscard]] Result<LensFit> first_look(std::string_view model,
                                         const std::vector<target::View>& views,
                                         const FitOptions& options);

}  // namespace trueplate::fit::detail
