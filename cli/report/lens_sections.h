#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

// Parts of a report page that a profile alone answers. What each field means: docs/report.md.

/// Lens and serial number, for the title of a page.
[[nodiscard]] std::string title_of(const profile::Profile& profile);

/// `0.123 px`, `24.9 px`: as many digits as mean something.
[[nodiscard]] std::string px_text(double value);

/// {width, height, pixel_aspect}: the frame that plots are drawn in.
[[nodiscard]] nlohmann::json plate_json(const lens::Lens& lens);

/// {level, headline, lines}: what the station is worth, first for the eye and then in words.
[[nodiscard]] nlohmann::json verdict_of(const profile::Station& station);

/// [{label, text, note}]: the figures at the top.
[[nodiscard]] nlohmann::json key_figures(const profile::Station& station);

/// Distortion over image height, in three directions from the principal point.
[[nodiscard]] nlohmann::json curve_section(const lens::Lens& lens);
/// Straight lines and what the lens makes of them.
[[nodiscard]] nlohmann::json grid_section(const lens::Lens& lens);
/// Every parameter with its standard deviation, and what else the fit found.
[[nodiscard]] nlohmann::json parameters_section(const profile::Station& station);
/// Who, when, from what; labels and notes.
[[nodiscard]] nlohmann::json provenance_section(const profile::Profile& profile,
                                                const profile::Station& station);

/// The numbers of `trueplate handoff` with its defaults. Errors: those of the overscan.
Result<nlohmann::json> handoff_section(const profile::Profile& profile,
                                       const profile::Station& station,
                                       int threads);

/// Steps of 1, 2 and 5 between two numbers above 0, the lowest `most` of them; where there is none
/// between them, the larger number.
[[nodiscard]] std::vector<double> round_steps(double least, double most_value, std::size_t most);

/// The largest of 1, 2, 5, 10, 20, ... that is not above `value`; 1 at least.
[[nodiscard]] double round_factor(double value);

}  // namespace trueplate::cli
