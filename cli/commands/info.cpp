#include <fmt/format.h>

#include <memory>

#include "calib/profile/describe.h"
#include "calib/profile/profile.h"
#include "calib/zoom/zoom_lens.h"
#include "cli/commands/commands.h"
#include "cli/profile_option.h"
#include "cli/zoom_report.h"

namespace trueplate::cli {
namespace {

int run(const std::string& path, const CommonOptions& common) {
  if (Result<void> free = check_outputs({}, {path}, common); !free) {
    return report_failure(free.error());
  }
  const Result<profile::Profile> profile = read_lens_profile(path);
  if (!profile) return report_failure(profile.error());
  std::string words = profile::describe(*profile);
  if (profile->stations.size() > 1) {
    // Stations that do not go together are described all the same, each by itself.
    const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(profile->stations);
    words += fmt::format("\nBetween stations\n{}{}",
                         stations_text(*profile),
                         lens ? breathing_text(*profile, *lens)
                              : fmt::format("  not interpolated: {}\n", lens.error().message));
  }
  print(common, words);
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
