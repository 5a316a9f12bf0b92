#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::footage::detail {

/// `folder/prefix####suffix`: a name with a place for the frame number. Numbers are written as
/// printf's `%0<digits>d` would: at least `digits` characters, a minus sign counted.
struct FramePattern {
  std::filesystem::path folder;  // empty: the current one
  std::string prefix;
  std::string suffix;
  int digits = 1;
};

/// Whether the file name part holds a `#` run or a `%d`.
[[nodiscard]] bool holds_frame_mark(std::string_view text);

/// kInvalidInput for no mark, two marks, `%4d` and the like.
Result<FramePattern> parse_frame_pattern(std::string_view text);

[[nodiscard]] std::string file_name(const FramePattern& pattern, int number);
[[nodiscard]] std::filesystem::path path_of(const FramePattern& pattern, int number);

/// The number that makes file_name() give exactly this name; nullopt when there is none.
[[nodiscard]] std::optional<int> number_in(const FramePattern& pattern, std::string_view name);

/// The run of digits that ends the stem of a file name, unless a `v` makes it a version
/// (`grid_v002`). A minus sign counts only behind `.` or `_` or at the start, since `left-01` means
/// one.
[[nodiscard]] std::optional<int> trailing_number(const std::filesystem::path& path);

/// Order in which frame2 stands before frame10.
[[nodiscard]] bool natural_less(std::string_view a, std::string_view b);

}  // namespace trueplate::footage::detail
