#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/plate/placement.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

/// The table and the verdict of a trial solve for a person, several lines.
[[nodiscard]] std::string trial_text(const plate::Tracks& tracks, const plate::Trial& trial);

/// All figures of a trial solve, as docs/command-line.md describes them.
[[nodiscard]] nlohmann::json trial_json(const plate::Tracks& tracks, const plate::Trial& trial);

/// Camera and points as JSON: docs/command-line.md, section solve.
[[nodiscard]] nlohmann::json camera_json(const plate::Tracks& tracks,
                                         const plate::CameraSolve& solve,
                                         const plate::PlacedScene& scene);

/// The lens from tracks as a profile that says so. Error: kUndetermined, with the figures.
[[nodiscard]] Result<profile::Profile> profile_of(const plate::Tracks& tracks,
                                                  const plate::Trial& trial,
                                                  const std::string& tracks_file);

}  // namespace trueplate::cli
