#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::cli {

/// The data of the page of a trial solve (docs/report.md), for html_page(). `source` is the file of
/// the tracks, `date` that of the page.
[[nodiscard]] nlohmann::json solve_page(const plate::Tracks& tracks,
                                        const plate::Trial& trial,
                                        const std::string& source,
                                        const std::string& date);

}  // namespace trueplate::cli
