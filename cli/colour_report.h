#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/calibrate.h"

namespace trueplate::cli {

/// What `calibrate --per-channel` found of red and blue, as `channels` of the result; null where
/// the colours were not fitted.
nlohmann::json colours_json(const Calibration& calibration);

/// The same in two lines; empty where the colours were not fitted.
std::string colours_text(const Calibration& calibration);

}  // namespace trueplate::cli
