#pragma once

#include "calib/base/result.h"
#include "calib/profile/detail/json_text.h"
#include "calib/profile/profile.h"

namespace trueplate::profile::detail {

/// The value of the field `format`, which tells a lens profile from other JSON files.
inline constexpr std::string_view kFormatName = "trueplate-lens-profile";

/// The profile as a JSON value, unchecked.
[[nodiscard]] Json json_of(const Profile& profile);

/// The profile in a JSON value, everything checked. The error's message is `path: complaint`.
Result<Profile> profile_of(const Json& json);

}  // namespace trueplate::profile::detail
