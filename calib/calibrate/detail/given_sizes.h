#pragma once

#include <optional>
#include <vector>

#include "calib/base/warning.h"
#include "calib/target/view.h"

namespace trueplate::detail {

/// The warning `chart-size` (value: mm) where the chart's points span less than 5 mm or more than
/// 100 m: what positions in other units look like. Common practice without a source.
[[nodiscard]] std::optional<Warning> chart_size(const std::vector<target::View>& views);

}  // namespace trueplate::detail
