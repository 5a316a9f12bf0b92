#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/profile/profile.h"
#include "calib/zoom/pool.h"
#include "calib/zoom/zoom_lens.h"

namespace trueplate::cli {

/// A line a station: where it stands, how well it is known, by how much the others miss it.
[[nodiscard]] std::string stations_text(const profile::Profile& profile);
/// What was tried to be made common, a line each.
[[nodiscard]] std::string pool_text(const std::vector<zoom::PoolTest>& tests);
/// How the picture changes as the focus is pulled, a line a focal length; empty where no focus is
/// stated.
[[nodiscard]] std::string breathing_text(const profile::Profile& profile,
                                         const zoom::ZoomLens& lens);

[[nodiscard]] nlohmann::json stations_json(const profile::Profile& profile);
[[nodiscard]] nlohmann::json pool_json(const std::vector<zoom::PoolTest>& tests);

}  // namespace trueplate::cli
