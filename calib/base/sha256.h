#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate {

/// SHA-256 (FIPS 180-4) as 64 lower-case hexadecimal digits.
///
/// Of a file's content: names the exact footage a profile was made from. kNotFound or kUnreadable
/// with the path.
Result<std::string> sha256_of_file(const std::filesystem::path& path);

/// Of the bytes of `text`. kUnsupported when the cryptographic library refuses.
Result<std::string> sha256_of_text(std::string_view text);

}  // namespace trueplate
