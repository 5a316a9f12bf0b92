#pragma once

#include <string>
#include <string_view>

#include "cli/help/reference.h"

namespace trueplate::cli {

/// The help page of a command, for a terminal of so many columns.
std::string help_text(const CommandEntry& command, int columns);

/// The commands below one, under their headings.
std::string command_list(const CommandEntry& command, int columns);

/// Lines of at most `columns` characters, each begun with `indent` blanks, each ended.
std::string wrapped(std::string_view text, int indent, int columns);

}  // namespace trueplate::cli
