#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/calibrate.h"

namespace trueplate::cli {

/// What `calibrate` says of a calibration of one station: for people, each frame and each model
/// tried in a line, then the fit, the focal length and the print; `output` is where the lens went.
[[nodiscard]] std::string calibration_text(const Calibration& calibration,
                                           const std::string& output);

/// The same and more for scripts (docs/command-line.md#calibrate).
[[nodiscard]] nlohmann::json calibration_json(const Calibration& calibration);

}  // namespace trueplate::cli
