#pragma once

#include <CLI/CLI.hpp>
#include <nlohmann/json.hpp>
#include <string>

#include "calib/base/result.h"
#include "cli/command.h"

namespace trueplate::cli {

/// `--report`, for commands that can show their result as a page.
void add_report_option(CLI::App& app, std::string& option);

/// Before any work: whether a page of this name can be made; empty: none is wanted. Errors: it does
/// not end in .html, or there is no date to put on it.
Result<void> check_report_option(const std::string& output);

/// Writes the page of `report`, says where it is, and writes its name where --json asks for it; the
/// exit status.
int write_report(const Result<nlohmann::json>& report,
                 const std::string& output,
                 const CommonOptions& common);

/// Writes the page alone. Errors: those of the report and of writing.
Result<void> write_report_file(const Result<nlohmann::json>& report,
                               const std::string& output,
                               const CommonOptions& common);

}  // namespace trueplate::cli
