#pragma once

#include <CLI/CLI.hpp>
#include <functional>
#include <memory>
#include <string>

#include "cli/command.h"

namespace trueplate::cli {

/// One of the commands below `archive`: where it is declared, and what runs when it is called.
struct ArchiveCommand {
  CLI::App* app = nullptr;
  Action run;
};
/// `location` holds the value of --archive once the command line is read.
using ArchiveLocation = std::shared_ptr<const std::string>;

ArchiveCommand add_archive_add(CLI::App& app, const ArchiveLocation& location);
ArchiveCommand add_archive_export(CLI::App& app, const ArchiveLocation& location);
ArchiveCommand add_archive_find(CLI::App& app, const ArchiveLocation& location);
ArchiveCommand add_archive_get(CLI::App& app, const ArchiveLocation& location);
ArchiveCommand add_archive_history(CLI::App& app, const ArchiveLocation& location);
ArchiveCommand add_archive_show(CLI::App& app, const ArchiveLocation& location);
ArchiveCommand add_archive_verify(CLI::App& app, const ArchiveLocation& location);

}  // namespace trueplate::cli
