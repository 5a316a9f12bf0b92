#include <filesystem>
#include <memory>

#include "calib/zoom/zoom_profile.h"
#include "cli/commands/commands.h"
#include "cli/pool_option.h"
#include "cli/profile_option.h"
#include "cli/report/write_report.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::vector<std::string> profiles;
  std::string output;
  std::string pool = "auto";
  std::string report;  // a page; empty: none
};

int run(const Options& options, const CommonOptions& common) {
  if (Result<void> named = check_report_option(options.report); !named) {
    return report_usage(named.error());
  }
  const Result<zoom::Pooling> pooling = pooling_of(options.pool);
  if (!pooling) return report_usage(pooling.error());
  if (Result<void> free = check_outputs({options.output, options.report}, options.profiles, common);
      !free) {
    return report_failure(free.error());
  }
  std::vector<zoom::NamedProfile> profiles;
  for (const std::string& path : options.profiles) {
    Result<profile::Profile> profile = read_lens_profile(path);
    if (!profile) return report_failure(profile.error());
    profiles.push_back({std::filesystem::path(path).filename().string(), *std::move(profile)});
  }
  return write_gathered(std::move(profiles), *pooling, {options.output, options.report}, common);
}

}  // namespace

Action add_gather(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profiles, "profiles of one lens, each with its stations")
      ->required()
      ->type_name("");
  app.add_option("-o,--output", options->output, "the profile with all stations")
      ->required()
      ->type_name("FILE");
  add_pool_option(app, options->pool);
  add_report_option(app, options->report);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
