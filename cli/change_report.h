#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "calib/compare/lens_change.h"
#include "calib/compare/zoom_change.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

/// Which lens, camera and state a profile of one station is of, in one line for a person.
[[nodiscard]] std::string identity_text(const profile::Profile& profile);
/// The same for machines.
[[nodiscard]] nlohmann::json identity_json(const profile::Profile& profile);

/// What became of a lens, for machines.
[[nodiscard]] nlohmann::json change_json(const compare::LensChange& change);

/// The same of a lens with many stations.
[[nodiscard]] nlohmann::json change_json(const compare::ZoomChange& change);
/// A line for every state that was compared.
[[nodiscard]] std::string change_table(const compare::ZoomChange& change);

}  // namespace trueplate::cli
