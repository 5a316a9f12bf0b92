#pragma once

#include <filesystem>
#include <string>

#include "calib/base/result.h"

namespace trueplate::footage {

/// SHA-256 (FIPS 180-4) of a file's content as 64 lower-case hexadecimal digits: names the exact
/// footage a profile was made from. kNotFound or kUnreadable with the path.
Result<std::string> sha256_of_file(const std::filesystem::path& path);

}  // namespace trueplate::footage
