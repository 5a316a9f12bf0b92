#include <memory>
#include <string>
#include <utility>

#include "cli/commands/commands.h"
#include "cli/handoff_report.h"
#include "cli/plate_options.h"
#include "cli/profile_option.h"
#include "cli/state_options.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  StateArguments state;
  PlateOptions plate;
  std::string film_back;
  bool per_channel = false;
};

int run(const Options& options, const CommonOptions& common) {
  std::optional<lens::FilmBack> film_back;
  if (!options.film_back.empty()) {
    const Result<lens::FilmBack> parsed = parse_film_back(options.film_back);
    if (!parsed) return report_usage(parsed.error());
    film_back = *parsed;
  }
  if (Result<void> free = check_outputs({}, {options.profile}, common); !free) {
    return report_failure(free.error());
  }
  const Result<ProfileAtState> at_state = read_profile_at(options.profile, options.state);
  if (!at_state) return report_failure(at_state.error());
  const profile::Profile& profile = at_state->profile;
  report_warnings(at_state->warnings, common);
  Result<std::vector<lens::Lens>> lenses =
      lenses_of(profile, options.profile, options.per_channel ? "green" : "");
  if (!lenses) return report_failure(lenses.error());
  if (film_back) {
    for (lens::Lens& lens : *lenses) lens.film_back = film_back;
  }
  Result<PlateRequest> request = read_plate_options(options.plate, *lenses, common.threads);
  if (!request) return report_usage(request.error());
  const Result<NotedHandoff> noted = noted_handoff(profile, std::move(*request));
  if (!noted) return report_failure(noted.error());
  print(common, handoff_text(noted->handoff, noted->notes));
  if (Result<void> written = write_json(common, handoff_json(noted->handoff, noted->notes));
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_handoff(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  add_state_options(app, options->state);
  add_plate_options(app, options->plate);
  app.add_option("--film-back",
                 options->film_back,
                 "sensor area of the frame, such as 24.89x14mm; default: the profile's")
      ->type_name("WxHmm");
  app.add_flag("--per-channel",
               options->per_channel,
               "the overscan that red, green and blue need together, of a profile made so");
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
