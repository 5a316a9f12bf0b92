#include "cli/pool_option.h"

#include <fmt/format.h>

#include <chrono>
#include <utility>

#include "calib/base/timestamp.h"
#include "cli/document_date.h"
#include "cli/help/spelling.h"
#include "cli/report/write_report.h"
#include "cli/report/zoom_page.h"
#include "cli/version.h"
#include "cli/zoom_report.h"

namespace trueplate::cli {

void add_pool_option(CLI::App& app, std::string& word) {
  one_of(app.add_option(
             "--pool",
             word,
             "auto: principal point, cylinder axis and sensor tilt common to the stations where "
             "their differences are noise"),
         {"auto", "none"})
      ->capture_default_str();
}

Result<zoom::Pooling> pooling_of(const std::string& word) {
  if (word == "auto") return zoom::Pooling::kAuto;
  if (word == "none") return zoom::Pooling::kNone;
  return fail(ErrorCode::kInvalidInput, fmt::format("--pool: '{}' is neither auto nor none", word));
}

int write_gathered(std::vector<zoom::NamedProfile> profiles,
                   zoom::Pooling pooling,
                   const GatheredFiles& files,
                   const CommonOptions& common) {
  const Result<zoom::Gathered> gathered =
      zoom::gather(std::move(profiles),
                   {.pooling = pooling,
                    .created = utc_timestamp(std::chrono::system_clock::now()),
                    .program_version = std::string(kVersion)});
  if (!gathered) return report_failure(gathered.error());
  if (Result<void> written =
          profile::write_profile(files.profile, gathered->profile, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common,
        stations_text(gathered->profile) + pool_text(gathered->pool_tests) +
            fmt::format("{} stations -> {}\n", gathered->profile.stations.size(), files.profile));
  report_warnings(gathered->warnings, common);
  if (!files.report.empty()) {
    const Result<std::string> date = document_date("");
    if (!date) return report_usage(date.error());
    if (Result<void> written =
            write_report_file(zoom_page(gathered->profile, *date), files.report, common);
        !written) {
      return report_failure(written.error());
    }
  }
  if (Result<void> written = write_json(common,
                                        {{"stations", stations_json(gathered->profile)},
                                         {"pooled", pool_json(gathered->pool_tests)},
                                         {"warnings", warnings_json(gathered->warnings)}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace trueplate::cli
