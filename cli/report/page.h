#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>

#include "calib/base/result.h"

namespace trueplate::cli {

/// One HTML file that shows `report` (docs/report.md lists its fields): nothing is loaded from
/// elsewhere. The data stand in it as one block of JSON in ASCII, without `<`, `>` and `&`, and the
/// script puts them into the page as text only; a content security policy allows the page's own
/// script and style by their hashes and no other. Strings that are not UTF-8 get U+FFFD.
Result<std::string> html_page(const nlohmann::json& report);

/// JSON that may stand in an HTML script element: see html_page().
[[nodiscard]] std::string json_for_html(const nlohmann::json& value);

/// RFC 4648, section 4.
[[nodiscard]] std::string base64(std::string_view bytes);

}  // namespace trueplate::cli
