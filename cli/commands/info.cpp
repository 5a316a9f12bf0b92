#include <memory>

#include "calib/profile/describe.h"
#include "calib/profile/profile.h"
#include "cli/commands/commands.h"

namespace trueplate::cli {
namespace {

int run(const std::string& path, const CommonOptions& common) {
  if (Result<void> free = check_outputs({}, {path}, common); !free) {
    return report_failure(free.error());
  }
  const Result<profile::Profile> profile = profile::read_profile(path);
  if (!profile) return report_failure(profile.error());
  print(common, profile::describe(*profile));
  if (common.json.empty()) return kDone;
  const Result<std::string> text = profile::profile_text(*profile);
  if (!text) return report_failure(text.error());
  if (Result<void> written = write_json(common, nlohmann::json::parse(*text)); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_info(CLI::App& app) {
  auto path = std::make_shared<std::string>();
  app.add_option("PROFILE", *path, "the lens profile")->required()->type_name("");
  return [path](const CommonOptions& common) { return run(*path, common); };
}

}  // namespace trueplate::cli
