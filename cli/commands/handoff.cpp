#include <memory>
#include <string>
#include <utility>

#include "cli/commands/commands.h"
#include "cli/handoff_report.h"
#include "cli/per_frame.h"
#include "cli/plate_options.h"
#include "cli/profile_option.h"
#include "cli/shot_handoff.h"
#include "cli/state_options.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  StateArguments state;
  PerFrameArguments per_frame;
  PlateOptions plate;
  std::string film_back;
  bool per_channel = false;
};

void set_film_back(std::vector<lens::Lens>& lenses,
                   const std::optional<lens::FilmBack>& film_back) {
  if (!film_back) return;
  for (lens::Lens& lens : lenses) lens.film_back = film_back;
}

void add_warnings_of_options(const Options& options, HandoffNotes& notes) {
  const std::vector<Warning>& warnings = options.plate.warnings;
  notes.warnings.insert(notes.warnings.begin(), warnings.begin(), warnings.end());
}

int run_per_frame(const Options& options,
                  const std::optional<lens::FilmBack>& film_back,
                  const CommonOptions& common) {
  const Result<ShotProfile> shot = read_shot_profile({.path = options.profile,
                                                      .state = options.state,
                                                      .per_frame = options.per_frame,
                                                      .by_colour = options.per_channel,
                                                      .threads = common.threads});
  if (!shot) return report_failure(shot.error());
  Result<ShotRequest> request = read_shot_plate_options(
      options.plate, *shot->lenses, options.per_channel ? "green" : "", common.threads);
  if (!request) return report_usage(request.error());
  for (auto& [frame, one] : *request) set_film_back(one.lenses, film_back);
  const Result<warp::Overscan> overscan = shot_overscan(*request);
  if (!overscan) return report_failure(overscan.error());
  Result<ShotHandoff> handoff = shot_handoff(shot->profile, *shot->lenses, *request, *overscan);
  if (!handoff) return report_failure(handoff.error());
  add_warnings_of_options(options, handoff->notes);
  print(common, shot_handoff_text(*handoff));
  if (Result<void> written = write_json(common, shot_handoff_json(*handoff)); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

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
  if (options.per_frame.given()) return run_per_frame(options, film_back, common);
  if (options.per_frame.smooth_frames > 0.0) return report_usage(smooth_alone());
  const Result<ProfileAtState> at_state = read_profile_at(options.profile, options.state);
  if (!at_state) return report_failure(at_state.error());
  const profile::Profile& profile = at_state->profile;
  report_warnings(at_state->warnings, common);
  Result<std::vector<lens::Lens>> lenses =
      lenses_of(profile, options.profile, options.per_channel ? "green" : "");
  if (!lenses) return report_failure(lenses.error());
  set_film_back(*lenses, film_back);
  Result<PlateRequest> request = read_plate_options(options.plate, *lenses, common.threads);
  if (!request) return report_usage(request.error());
  Result<NotedHandoff> noted = noted_handoff(profile, std::move(*request));
  if (!noted) return report_failure(noted.error());
  add_warnings_of_options(options, noted->notes);
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
  add_per_frame_options(app, options->per_frame, OwnHeaders::kNo);
  add_plate_options(app, options->plate);
  app.add_option("--film-back",
                 options->film_back,
                 "sensor area of the frame, such as 24.89x14mm; default: the profile's")
      ->type_name("WxHmm");
  app.add_flag("--per-channel",
               options->per_channel,
               "the overscan that red, green and blue need together, of a profile made so");
  return [options, &app](const CommonOptions& common) {
    options->plate.warnings = unused_round(app, options->plate.overscan);
    report_warnings(options->plate.warnings, common);
    return run(*options, common);
  };
}

}  // namespace trueplate::cli
