#pragma once

#include <nlohmann/json.hpp>

#include "calib/profile/profile.h"
#include "cli/report/parts.h"

namespace trueplate::cli {

// Parts of a report page that a profile alone answers. What each field means: docs/report.md.

/// {level, headline, lines}: what the station is worth, first for the eye and then in words.
[[nodiscard]] nlohmann::json verdict_of(const profile::Station& station);

/// Whether the predicted error that the profile states can be this lens's: not of one that hardly
/// straightens anything of the frame, nor of one whose noise alone makes more.
[[nodiscard]] bool is_stated_error_of_use(const profile::Station& station);

/// [{label, text, note}]: the figures at the top.
[[nodiscard]] nlohmann::json key_figures(const profile::Station& station);

/// Every parameter with its standard deviation, and what else the fit found.
[[nodiscard]] nlohmann::json parameters_section(const profile::Station& station);
/// Who, when, from what; labels and notes. `set_to`: words in the place of the station's state.
[[nodiscard]] nlohmann::json provenance_section(const profile::Profile& profile,
                                                const profile::Station& station,
                                                const std::string& set_to = {});

/// The numbers of `trueplate handoff` with its defaults; where there are none, why.
[[nodiscard]] nlohmann::json handoff_section(const profile::Profile& profile,
                                             const profile::Station& station,
                                             int threads);

}  // namespace trueplate::cli
