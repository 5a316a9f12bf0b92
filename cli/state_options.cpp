#include "cli/state_options.h"

#include <fmt/format.h>

#include <cmath>
#include <utility>

#include "calib/base/text.h"
#include "calib/zoom/zoom_profile.h"
#include "cli/profile_option.h"

namespace trueplate::cli {
namespace {

constexpr double kMmPerM = 1000.0;

Result<std::optional<double>> length_mm(const std::string& option,
                                        const std::string& text,
                                        InfinityPolicy infinity) {
  if (text.empty()) return std::optional<double>();
  const Result<double> length = parse_length_mm(text, infinity);
  if (length) return std::optional(*length);
  return fail(ErrorCode::kInvalidInput, fmt::format("{}: {}", option, length.error().message));
}

nlohmann::json optional_json(const std::optional<double>& value) {
  if (value && std::isinf(*value)) return "inf";
  return value ? nlohmann::json(*value) : nlohmann::json();
}

}  // namespace

nlohmann::json state_json(const zoom::ZoomState& state) {
  return {{"focal_mm", optional_json(state.focal_mm)},
          {"focus_m", optional_json(state.focus_m)},
          {"t_stop", optional_json(state.t_stop)}};
}

void add_state_options(CLI::App& app, StateArguments& arguments) {
  const OptionsUnder heading(app, "Where the lens is set to");
  app.add_option("--focal", arguments.focal, "focal length the zoom is set to, such as 35mm")
      ->type_name("LENGTH");
  app.add_option("--focus", arguments.focus, "focus distance it is set to, such as 2.5m or inf")
      ->type_name("LENGTH");
  app.add_option("--t-stop", arguments.t_stop, "T-stop, where stations differ in it")
      ->check(finite_range(0.1, 1000.0))
      ->type_name("F");
  app.add_flag("--extrapolate",
               arguments.extrapolate,
               "beyond the stations, too; a warning says how uncertain it is");
}

Result<zoom::ZoomState> state_of(const StateArguments& arguments) {
  const auto focal = length_mm("--focal", arguments.focal, InfinityPolicy::kRefuse);
  if (!focal) return fail(focal.error());
  const auto focus = length_mm("--focus", arguments.focus, InfinityPolicy::kAllow);
  if (!focus) return fail(focus.error());
  zoom::ZoomState state{.focal_mm = *focal, .t_stop = arguments.t_stop};
  if (*focus) state.focus_m = **focus / kMmPerM;
  return state;
}

Error with_options(Error error, const std::string& path) {
  error.message =
      fmt::format("{}: {} (--focal, --focus, --t-stop, --extrapolate)", path, error.message);
  return error;
}

Result<ProfileAtState> read_profile_at(const std::string& path, const StateArguments& arguments) {
  const Result<zoom::ZoomState> state = state_of(arguments);
  if (!state) return fail(state.error());
  Result<profile::Profile> profile = read_lens_profile(path);
  if (!profile) return fail(profile.error());
  if (profile->stations.size() == 1 && !arguments.given()) {
    return ProfileAtState{*std::move(profile), {}};
  }
  const Result<zoom::ColourZoom> lens =
      zoom::ColourZoom::create(profile->stations, zoom::Colours::kWhereAll);
  if (!lens) return fail(lens.error().code, fmt::format("{}: {}", path, lens.error().message));
  Result<zoom::StateProfile> at = zoom::profile_at(*profile, *lens, *state, arguments.beyond());
  if (!at) return fail(with_options(at.error(), path));
  ProfileAtState result{.profile = std::move(at->profile), .warnings = {}};
  if (!result.profile.stations.front().quality) {
    result.warnings = result.profile.stations.front().warnings;
  }
  return result;
}

}  // namespace trueplate::cli
