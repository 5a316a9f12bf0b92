#include "cli/per_frame.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <set>
#include <span>
#include <utility>

#include "calib/base/text.h"
#include "calib/footage/lens_setting.h"
#include "calib/zoom/zoom_profile.h"
#include "cli/profile_option.h"

namespace trueplate::cli {
namespace {

constexpr std::string_view kHeaders = "headers";

bool is_table(const std::string& source) {
  return std::filesystem::path(source).extension() == ".csv";
}

Result<int> number_of(const footage::FrameRef& frame) {
  if (frame.number) return *frame.number;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: has no frame number, wanted one to tell its lens by", frame.name));
}

Result<std::vector<zoom::FrameState>> states_in_headers(std::span<const footage::FrameRef> frames) {
  std::vector<zoom::FrameState> states;
  for (const footage::FrameRef& frame : frames) {
    const Result<int> number = number_of(frame);
    if (!number) return fail(number.error());
    if (frame.movie_frame) {
      return fail(ErrorCode::kUnsupported,
                  fmt::format("{}: frames of movies have no headers that tell how the lens was "
                              "set; give a table, --per-frame lens.csv",
                              frame.name));
    }
    const Result<footage::Frame> header = footage::read_frame_header(frame.path);
    if (!header) return fail(header.error());
    const footage::LensSetting setting = footage::lens_setting_of(*header);
    if (!setting.focal_mm && !setting.focus_m && !setting.t_stop) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: its header has neither nominalFocalLength nor focus nor tStop, "
                              "wanted one; give a table, --per-frame lens.csv",
                              frame.name));
    }
    states.push_back(
        {*number,
         {.focal_mm = setting.focal_mm, .focus_m = setting.focus_m, .t_stop = setting.t_stop}});
  }
  return states;
}

Result<std::vector<zoom::FrameState>> states_of(const PerFrameArguments& arguments,
                                                const footage::FrameSet* frames) {
  if (is_table(arguments.source)) {
    constexpr std::size_t kMostBytes = std::size_t{64} << 20;
    Result<std::string> text = read_text_file(arguments.source, kMostBytes);
    if (!text) return fail(text.error());
    return zoom::parse_frame_states(*std::move(text), arguments.source);
  }
  if (arguments.source == kHeaders && frames != nullptr) return states_in_headers(frames->frames);
  const std::array<std::string, 1> pattern{arguments.source};
  const Result<footage::FrameSet> others = footage::resolve_frames(pattern);
  if (!others) return fail(others.error());
  return states_in_headers(others->frames);
}

/// The numbers of the frames wanted; of all in `states` without them.
Result<std::set<int>> wanted_frames(const std::vector<zoom::FrameState>& states,
                                    const footage::FrameSet* frames,
                                    const std::string& source) {
  std::set<int> known;
  for (const zoom::FrameState& state : states) known.insert(state.frame);
  if (frames == nullptr) return known;
  std::set<int> wanted;
  for (const footage::FrameRef& frame : frames->frames) {
    const Result<int> number = number_of(frame);
    if (!number) return fail(number.error());
    if (!known.contains(*number)) {
      return fail(
          ErrorCode::kNotFound,
          fmt::format("--per-frame {}: has no row for frame {} ({})", source, *number, frame.name));
    }
    wanted.insert(*number);
  }
  return wanted;
}

nlohmann::json optional_json(const std::optional<double>& value) {
  if (value && std::isinf(*value)) return "inf";
  return value ? nlohmann::json(*value) : nlohmann::json();
}

}  // namespace

void add_per_frame_options(CLI::App& app, PerFrameArguments& arguments, OwnHeaders own_headers) {
  app.add_option("--per-frame",
                 arguments.source,
                 own_headers == OwnHeaders::kYes
                     ? "a lens for every frame: a table lens.csv with columns frame, focal, focus; "
                       "headers, of the frames; or other EXR frames whose headers say it"
                     : "a lens for every frame: a table lens.csv with columns frame, focal, focus; "
                       "or EXR frames whose headers say it")
      ->type_name("FILE|FRAMES");
  app.add_option("--smooth",
                 arguments.smooth_frames,
                 "of --per-frame: takes noise of encoders off, over about this many frames")
      ->check(finite_range(0.0, zoom::kMostSmoothFrames))
      ->type_name("FRAMES");
}

Result<FrameLenses> FrameLenses::create(const profile::Profile& profile,
                                        const std::string& path,
                                        const StateArguments& state,
                                        const PerFrameArguments& arguments,
                                        const footage::FrameSet* frames) {
  const Result<zoom::ZoomState> otherwise = state_of(state);
  if (!otherwise) return fail(otherwise.error());
  Result<std::vector<zoom::FrameState>> states = states_of(arguments, frames);
  if (!states) return fail(states.error());
  if (states->empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--per-frame {}: holds no frames", arguments.source));
  }
  const Result<std::set<int>> wanted = wanted_frames(*states, frames, arguments.source);
  if (!wanted) return fail(wanted.error());
  const Result<zoom::ZoomLens> lens = zoom::ZoomLens::create(profile.stations);
  if (!lens) return fail(lens.error().code, fmt::format("{}: {}", path, lens.error().message));
  FrameLenses result;
  result.from_headers_ = !is_table(arguments.source);
  for (zoom::FrameState& one : zoom::smoothed(*std::move(states), arguments.smooth_frames)) {
    if (!wanted->contains(one.frame)) continue;
    if (!one.state.focal_mm) one.state.focal_mm = otherwise->focal_mm;
    if (!one.state.focus_m) one.state.focus_m = otherwise->focus_m;
    if (!one.state.t_stop) one.state.t_stop = otherwise->t_stop;
    Result<zoom::LensAtState> at = lens->at(one.state, state.beyond());
    if (!at) {
      return fail(with_options(
          {at.error().code, fmt::format("frame {}: {}", one.frame, at.error().message)}, path));
    }
    result.lenses_.emplace(one.frame, *std::move(at));
  }
  return result;
}

std::vector<lens::Lens> FrameLenses::all() const {
  std::vector<lens::Lens> all;
  for (const auto& [frame, at] : lenses_) all.push_back(at.lens);
  return all;
}

warp::LensAttributes FrameLenses::attributes(const profile::Profile& profile, int frame) const {
  const zoom::LensAtState& at = lenses_.at(frame);
  warp::LensAttributes attributes = lens_attributes(profile);
  const std::optional<Point2d> focal_mm = lens::focal_mm(at.lens);
  attributes.pinhole_focal_mm = focal_mm ? std::optional(focal_mm->x()) : std::nullopt;
  attributes.nominal_focal_mm = from_headers_ ? std::nullopt : at.state.focal_mm;
  attributes.focus_m = from_headers_ ? std::nullopt : at.state.focus_m;
  attributes.t_stop = from_headers_ ? std::nullopt : at.state.t_stop;
  return attributes;
}

std::vector<Warning> FrameLenses::warnings() const {
  std::map<std::string, std::pair<Warning, int>> worst;
  for (const auto& [frame, at] : lenses_) {
    for (const Warning& warning : at.warnings) {
      auto [found, is_new] = worst.try_emplace(warning.code, warning, 0);
      ++found->second.second;
      if (!is_new && warning.value > found->second.first.value) found->second.first = warning;
    }
  }
  std::vector<Warning> all;
  for (const auto& [code, entry] : worst) {
    all.push_back(
        {code,
         fmt::format(
             "in {} of {} frames, at worst: {}", entry.second, lenses_.size(), entry.first.message),
         entry.first.value});
  }
  return all;
}

nlohmann::json FrameLenses::json() const {
  nlohmann::json all = nlohmann::json::array();
  for (const auto& [frame, at] : lenses_) {
    all.push_back({{"frame", frame},
                   {"focal_mm", optional_json(at.state.focal_mm)},
                   {"focus_m", optional_json(at.state.focus_m)},
                   {"t_stop", optional_json(at.state.t_stop)},
                   {"focal_px", {{"x", at.lens.focal_px.x()}, {"y", at.lens.focal_px.y()}}},
                   {"principal_point_px",
                    {{"x", at.lens.principal_point_px.x()}, {"y", at.lens.principal_point_px.y()}}},
                   {"sigma_px", at.sigma.rms_px}});
  }
  return all;
}

std::string FrameLenses::text() const {
  const auto& [first_frame, first] = *lenses_.begin();
  const auto& [last_frame, last] = *lenses_.rbegin();
  double sigma_px = 0.0;
  for (const auto& [frame, at] : lenses_) sigma_px = std::max(sigma_px, at.sigma.rms_px);
  return fmt::format(
      "a lens for each of {} frames: {} at {}, {} at {}; known to sigma {:.3f} px or "
      "better\n",
      lenses_.size(),
      zoom::state_text(first.state),
      first_frame,
      zoom::state_text(last.state),
      last_frame,
      sigma_px);
}

Result<ShotProfile> read_shot_profile(const std::string& path,
                                      const StateArguments& state,
                                      const PerFrameArguments& per_frame,
                                      const footage::FrameSet* frames) {
  if (!per_frame.given()) {
    if (per_frame.smooth_frames > 0.0) {
      return fail(ErrorCode::kInvalidInput, "--smooth goes with --per-frame, which is not given");
    }
    Result<ProfileAtState> at = read_profile_at(path, state);
    if (!at) return fail(at.error());
    return ShotProfile{at->profile, at->profile, std::nullopt, std::move(at->warnings)};
  }
  Result<profile::Profile> whole = read_lens_profile(path);
  if (!whole) return fail(whole.error());
  Result<FrameLenses> lenses = FrameLenses::create(*whole, path, state, per_frame, frames);
  if (!lenses) return fail(lenses.error());
  ShotProfile shot{.whole = *std::move(whole), .profile = {}, .lenses = {}, .warnings = {}};
  const zoom::LensAtState& first = lenses->lenses().begin()->second;
  shot.profile = shot.whole;
  shot.profile.stations.resize(1);
  profile::Station& station = shot.profile.stations.front();
  station = {};
  station.lens = first.lens;
  station.nominal_focal_mm = first.state.focal_mm;
  station.focus_m = first.state.focus_m;
  station.t_stop = first.state.t_stop;
  station.warnings = first.warnings;
  shot.warnings = lenses->warnings();
  shot.lenses = *std::move(lenses);
  return shot;
}

}  // namespace trueplate::cli
