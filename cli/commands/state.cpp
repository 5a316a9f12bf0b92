#include <fmt/format.h>

#include <memory>

#include "calib/zoom/zoom_profile.h"
#include "cli/commands/commands.h"
#include "cli/state_options.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  std::string output;
  StateArguments state;
};

int run(const Options& options, const CommonOptions& common) {
  if (const Result<zoom::ZoomState> state = state_of(options.state); !state) {
    return report_usage(state.error());
  }
  if (Result<void> free = check_outputs({options.output}, {options.profile}, common); !free) {
    return report_failure(free.error());
  }
  const Result<ProfileAtState> at = read_profile_at(options.profile, options.state);
  if (!at) return report_failure(at.error());
  if (Result<void> written =
          profile::write_profile(options.output, at->profile, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  const profile::Station& station = at->profile.stations.front();
  const zoom::ZoomState state{
      .focal_mm = station.nominal_focal_mm, .focus_m = station.focus_m, .t_stop = station.t_stop};
  print(common,
        fmt::format("{}: {:.3f} x {:.3f} px, {} -> {}\n",
                    zoom::state_text(state),
                    station.lens.focal_px.x(),
                    station.lens.focal_px.y(),
                    lens::model_name(station.lens.model),
                    options.output));
  report_warnings(at->warnings, common);
  if (Result<void> written = write_json(
          common,
          {{"file", options.output},
           {"focal_px", {{"x", station.lens.focal_px.x()}, {"y", station.lens.focal_px.y()}}},
           {"warnings", warnings_json(at->warnings)}});
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_state(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  app.add_option("-o,--output", options->output, "the profile of this state")
      ->required()
      ->type_name("FILE");
  add_state_options(app, options->state);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
