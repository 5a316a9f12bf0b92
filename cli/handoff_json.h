#pragma once

#include <nlohmann/json.hpp>

#include "cli/handoff_report.h"
#include "warp/handoff.h"

namespace trueplate::cli {

/// What the frames of a shot have in common of a hand-off: all but the cameras and their focal
/// lengths. The fields are those of handoff_json(), which adds them.
nlohmann::json common_handoff_json(const warp::Handoff& handoff, const HandoffNotes& notes);

/// A camera of a hand-off: its fields in px, and in mm where there is a film back.
nlohmann::json camera_json(const warp::Handoff& handoff, const warp::PinholeCamera& camera);

/// Adds to `json` of common_handoff_json() what one lens decides: `solve` gets the focal length and
/// squeeze as measured, and it and `render` their cameras.
void add_cameras_json(const warp::Handoff& handoff, nlohmann::json& json);

}  // namespace trueplate::cli
