#pragma once

#include <cstddef>
#include <nlohmann/json_fwd.hpp>

#include "calib/plate/trial.h"

namespace trueplate::cli {

/// Tables of tracks end there.
inline constexpr std::size_t kMostTracks = 200;

/// How the tracks move between two frames: what there is to see of a shot that cannot be solved.
/// null where no track is in both.
[[nodiscard]] nlohmann::json motion_section(const plate::Tracks& tracks, const plate::Trial& trial);

/// The tracks of a shot that was not solved: how long each was followed.
[[nodiscard]] nlohmann::json seen_section(const plate::Tracks& tracks);

}  // namespace trueplate::cli
