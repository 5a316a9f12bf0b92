#pragma once

#include <nlohmann/json.hpp>

#include "calib/lens/lens.h"
#include "cli/report/reach.h"

namespace trueplate::cli {

/// Distortion over image height, in three directions from the principal point.
[[nodiscard]] nlohmann::json curve_section(const lens::Lens& lens, const Reach& reach);
/// Straight lines and what the lens makes of them.
[[nodiscard]] nlohmann::json grid_section(const lens::Lens& lens, const Reach& reach);

}  // namespace trueplate::cli
