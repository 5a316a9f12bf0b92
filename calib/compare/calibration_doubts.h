#pragma once

#include <optional>
#include <span>

#include "calib/base/warning.h"
#include "calib/profile/profile.h"

namespace trueplate::compare {

/// The warning `doubtful-calibration` (value: how many codes it names), where stations of either
/// calibration carry warnings of what their covariances do not hold: few frames, corners that do
/// not reach, a chart that is not as described, residuals with a pattern. Such a lens may come out
/// as changed though it did not. nullopt where neither has any.
[[nodiscard]] std::optional<Warning> calibration_doubts(std::span<const profile::Station> first,
                                                        std::span<const profile::Station> second);

}  // namespace trueplate::compare
