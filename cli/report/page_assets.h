#pragma once

#include <string_view>

namespace trueplate::cli {

/// What every report page carries, put into the program when it is built (cli/report/embed.cmake).
[[nodiscard]] std::string_view page_style();    // report.css
[[nodiscard]] std::string_view page_library();  // d3's modules, each with its licence
[[nodiscard]] std::string_view page_script();   // the .js files of this folder

}  // namespace trueplate::cli
