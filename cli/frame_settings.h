#pragma once

#include <CLI/CLI.hpp>
#include <string>

#include "calib/base/result.h"
#include "calib/profile/profile.h"

namespace trueplate::cli {

/// Digest of everything that decides how a command turns a frame into its output: the command, the
/// version of the program, the profile's content, and each option of `app` with its value, default
/// or given. Left out are options that only say which frames, where to, and how fast; a new option
/// counts unless it is added to those, so it cannot be forgotten. An option that names a file
/// stands for the content of that file. Errors: a file of an option that cannot be read.
Result<std::string> frame_settings(const CLI::App& app, const profile::Profile& profile);
/// The same for a command without a profile.
Result<std::string> frame_settings(const CLI::App& app);

}  // namespace trueplate::cli
