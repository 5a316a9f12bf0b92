#include <fmt/format.h>

#include <memory>
#include <string>
#include <vector>

#include "cli/archive_query.h"
#include "cli/commands/archive_commands.h"
#include "cli/commands/commands.h"

namespace trueplate::cli {

Action add_archive(CLI::App& app) {
  auto location = std::make_shared<std::string>();
  app.add_option("--archive",
                 *location,
                 fmt::format("the archive: a file, or postgresql://...; default the variable {}",
                             kArchiveVariable))
      ->type_name("FILE|URL");
  app.require_subcommand(1);
  const std::vector<ArchiveCommand> commands{add_archive_add(app, location),
                                             add_archive_find(app, location),
                                             add_archive_show(app, location),
                                             add_archive_get(app, location),
                                             add_archive_history(app, location),
                                             add_archive_export(app, location),
                                             add_archive_verify(app, location)};
  // The options of `archive`, and those of every command, may follow the word.
  for (const ArchiveCommand& command : commands) {
    command.app->fallthrough();
    command.app->group("Commands");
  }
  return [commands](const CommonOptions& common) {
    for (const ArchiveCommand& command : commands) {
      if (command.app->parsed()) return command.run(common);
    }
    return static_cast<int>(kUsage);
  };
}

}  // namespace trueplate::cli
