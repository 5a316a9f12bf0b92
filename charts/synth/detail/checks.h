#pragma once

#include <Eigen/Geometry>
#include <string_view>

#include "calib/base/result.h"
#include "calib/target/chart.h"

namespace trueplate::synth::detail {

/// Checks of what the public functions take; each error is kInvalidInput.
Result<void> check_range(
    std::string_view where, std::string_view name, double value, double low, double high);
Result<void> check_chart(const target::Chart& chart);
Result<void> check_rigid(std::string_view name, const Eigen::Isometry3d& pose);

}  // namespace trueplate::synth::detail
