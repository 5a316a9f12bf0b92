#pragma once

#include <optional>
#include <string>
#include <string_view>

#include "calib/base/result.h"
#include "calib/exchange/conversion.h"
#include "calib/profile/profile.h"

namespace trueplate::exchange {

/// The formats a lens is exchanged in.
enum class LensFormat { kProfile, kOpenTrackIo, kOpenCv, kUsd, kRadialTable };

/// `profile`, `opentrackio`, `opencv`, `usd` and `radial-table`.
[[nodiscard]] std::string_view lens_format_name(LensFormat format);
Result<LensFormat> lens_format_from_name(std::string_view name);

/// By a file's name: .yml, .yaml and .xml are OpenCV's, .usda, .csv the radial table; .json is that
/// of several formats and, like any other name, tells none.
[[nodiscard]] std::optional<LensFormat> lens_format_from_path(std::string_view path);

/// Of a JSON text, by the names at its top; nullopt when it is none of those that are read.
[[nodiscard]] std::optional<LensFormat> lens_format_of_json(std::string_view text);

/// A station of a profile as the text of a file called `path`, whose ending chooses among the
/// syntaxes of a format. kProfile: a profile of that station alone.
/// errors  those of the format; kInvalidInput: a format without such an ending.
Result<Written> lens_file_of(const profile::Profile& profile,
                             const profile::Station& station,
                             LensFormat format,
                             std::string_view path);

/// The lens in a text of that format; `source` names it in messages.
Result<Taken> lens_from_file(std::string text,
                             LensFormat format,
                             const Known& known,
                             const std::string& source);

}  // namespace trueplate::exchange
