#pragma once

#include <string>

#include "calib/base/result.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

/// Reads a profile for a command that uses one state of the lens; one with several stations is
/// refused, because the first would be as good as any.
Result<profile::Profile> read_single_profile(const std::string& path);

}  // namespace trueplate::cli
