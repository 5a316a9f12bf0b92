#pragma once

#include <optional>
#include <vector>

#include "calib/base/warning.h"
#include "calib/plate/detail/line_screen.h"

namespace trueplate::plate::detail {

/// Whether lines that were fitted about a centre that was given contradict it: with the centre free
/// they become straighter by more than chance explains (F-test, with the noise and the degrees of
/// freedom of the residuals' slow parts).
[[nodiscard]] std::optional<Warning> centre_contradicted(const ScreenedLens& fit,
                                                         const std::vector<Chain>& chains);

}  // namespace trueplate::plate::detail
