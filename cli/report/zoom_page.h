#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/base/result.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

/// The data of the page of a profile with several stations (docs/report.md), for html_page(): the
/// lens over focal length and focus, its stations and how well each is told by the others. Errors:
/// those of zoom::ZoomLens.
Result<nlohmann::json> zoom_page(const profile::Profile& profile, const std::string& date);

}  // namespace trueplate::cli
