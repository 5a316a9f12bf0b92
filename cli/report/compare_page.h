#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/base/warning.h"
#include "calib/compare/lens_change.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

/// The data of the page about two calibrations of one lens, each a profile of one station
/// (docs/report.md), for html_page().
[[nodiscard]] nlohmann::json compare_page(const profile::Profile& first,
                                          const profile::Profile& second,
                                          const compare::LensChange& change,
                                          const compare::ChangeOptions& options,
                                          const std::vector<Warning>& warnings,
                                          const std::string& date);

}  // namespace trueplate::cli
