#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "calib/profile/profile.h"
#include "calib/zoom/zoom_lens.h"
#include "cli/report/zoom_states.h"

/// Sections of the page of a lens with several stations, as report.js takes them.
namespace trueplate::cli {

/// The lens over focal length and focus; null where only one of them changes.
[[nodiscard]] nlohmann::json surface_section(const profile::Profile& profile,
                                             const ZoomStates& states);

/// Distortion along the axis that changes: over focal lengths at the nearest, a middle and the
/// farthest focus, or over focus; null where no curve is long enough.
[[nodiscard]] nlohmann::json distortion_section(const profile::Profile& profile,
                                                const ZoomStates& states);

/// Null for a lens without focus distances.
[[nodiscard]] nlohmann::json breathing_section(const profile::Profile& profile,
                                               const zoom::ZoomLens& lens);

[[nodiscard]] nlohmann::json stations_section(const profile::Profile& profile);

/// Where a station stands: "24 mm, 2 m".
[[nodiscard]] std::string state_text(const profile::Station& station);

/// The text with numbers and their units on one line.
[[nodiscard]] std::string unbroken(std::string_view text);

}  // namespace trueplate::cli
