#pragma once

#include <string>
#include <string_view>

namespace trueplate {

/// `text`, a whole CSV file (calib/base/csv.h), with the comment `# key: value` in the place of the
/// one with that key, else behind its last comment. A file without comments has no place for one
/// and stays as it is. All else stays byte for byte.
[[nodiscard]] std::string with_comment(std::string text,
                                       std::string_view key,
                                       std::string_view value);

}  // namespace trueplate
