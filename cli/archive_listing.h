#pragma once

#include <nlohmann/json.hpp>
#include <span>
#include <string>

#include "calib/archive/filing.h"

namespace trueplate::cli {

/// Calibrations of an archive for a person: a table of one line each with a heading, or, where that
/// is wider than so many columns, three lines each. Text from the archive is shown with control
/// characters replaced.
std::string entries_text(std::span<const archive::Entry> entries, std::size_t columns);
/// One of them with all there is, several lines.
std::string entry_text(const archive::Entry& entry);

/// The same for machines; docs/command-line.md names the fields.
nlohmann::json entry_json(const archive::Entry& entry);
nlohmann::json entries_json(std::span<const archive::Entry> entries);
std::string entries_csv(std::span<const archive::Entry> entries);

/// A text for a cell of such a CSV, and back. Programs that show tables take what begins with one
/// of = + - @ for a formula, so that gets an apostrophe before it.
std::string listed_cell(const std::string& text);
std::string listed_text(std::string cell);

}  // namespace trueplate::cli
