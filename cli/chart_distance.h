#pragma once

#include <optional>
#include <string>

#include "calib/base/result.h"
#include "calib/fit/chart_fit.h"

namespace trueplate::cli {

/// --chart-distance and --chart-distance-sigma, as they were written, in mm; nullopt where both are
/// empty. Without the second, the standard deviation is fit::kChartDistanceShare of the distance,
/// at least fit::kLeastChartDistanceSigmaMm. Errors name the option: no length, not above 0, an
/// uncertainty of nothing.
Result<std::optional<fit::Measured>> parse_chart_distance(const std::string& distance,
                                                          const std::string& sigma);

}  // namespace trueplate::cli
