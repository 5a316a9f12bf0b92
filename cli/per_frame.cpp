#include "cli/per_frame.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <filesystem>
#include <set>
#include <span>
#include <utility>

#include "calib/base/interrupt.h"
#include "calib/base/parallel.h"
#include "calib/base/text.h"
#include "calib/footage/lens_setting.h"
#include "calib/zoom/zoom_profile.h"

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

/// The numbers of the frames that need a lens, which the states have to tell.
Result<std::set<int>> needed_frames(const std::vector<zoom::FrameState>& states,
                                    const footage::FrameSet* frames,
                                    const std::string& source) {
  std::set<int> known;
  for (const zoom::FrameState& state : states) known.insert(state.frame);
  if (frames == nullptr) return known;
  std::set<int> needed;
  for (const footage::FrameRef& frame : frames->frames) {
    const Result<int> number = number_of(frame);
    if (!number) return fail(number.error());
    if (!known.contains(*number)) {
      return fail(
          ErrorCode::kNotFound,
          fmt::format("--per-frame {}: has no row for frame {} ({})", source, *number, frame.name));
    }
    needed.insert(*number);
  }
  return needed;
}

/// The lens at each of the states, side by side.
std::vector<Result<zoom::ColourZoom::AtState>> lenses_at(
    const zoom::ColourZoom& lens,
    const std::vector<zoom::FrameState>& states,
    zoom::Beyond beyond,
    int threads) {
  std::vector<Result<zoom::ColourZoom::AtState>> made(states.size(), interruption());
  parallel_rows(static_cast<int>(states.size()), threads, [&](int begin, int end) {
    for (auto i = static_cast<std::size_t>(begin); i < static_cast<std::size_t>(end); ++i) {
      if (is_interrupted(&interrupt_flag())) return;
      made[i] = lens.at(states[i].state, beyond);
    }
  });
  return made;
}

}  // namespace

void add_per_frame_options(CLI::App& app, PerFrameArguments& arguments, OwnHeaders own_headers) {
  const OptionsUnder heading(app, "Where the lens is set to");
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

Error smooth_alone() {
  return {ErrorCode::kInvalidInput, "--smooth goes with --per-frame, which is not given"};
}

Result<FrameLenses> FrameLenses::create(const profile::Profile& profile, const ShotSource& source) {
  const PerFrameArguments& arguments = source.per_frame;
  const Result<zoom::ZoomState> otherwise = state_of(source.state);
  if (!otherwise) return fail(otherwise.error());
  Result<std::vector<zoom::FrameState>> told = states_of(arguments, source.frames);
  if (!told) return fail(told.error());
  if (told->empty()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--per-frame {}: holds no frames", arguments.source));
  }
  const Result<std::set<int>> needed = needed_frames(*told, source.frames, arguments.source);
  if (!needed) return fail(needed.error());
  const Result<zoom::ColourZoom> lens = zoom::ColourZoom::create(
      profile.stations, source.by_colour ? zoom::Colours::kWhereAll : zoom::Colours::kGreenOnly);
  if (!lens) {
    return fail(lens.error().code, fmt::format("{}: {}", source.path, lens.error().message));
  }
  if (source.by_colour && !lens->has_colours()) return fail(no_colours(source.path));

  std::vector<zoom::FrameState> states = zoom::smoothed(*std::move(told), arguments.smooth_frames);
  for (zoom::FrameState& one : states) {
    if (!one.state.focal_mm) one.state.focal_mm = otherwise->focal_mm;
    if (!one.state.focus_m) one.state.focus_m = otherwise->focus_m;
    if (!one.state.t_stop) one.state.t_stop = otherwise->t_stop;
  }
  FrameLenses result;
  result.from_headers_ = !is_table(arguments.source);
  std::vector<Result<zoom::ColourZoom::AtState>> made =
      lenses_at(*lens, states, source.state.beyond(), source.threads);
  for (std::size_t i = 0; i < states.size(); ++i) {
    const int frame = states[i].frame;
    if (made[i]) {
      result.at_frames_.emplace(frame, *std::move(made[i]));
      continue;
    }
    const Error& error = made[i].error();
    if (error.code == ErrorCode::kInterrupted) return fail(error);
    if (!needed->contains(frame)) continue;
    return fail(
        with_options({error.code, fmt::format("frame {}: {}", frame, error.message)}, source.path));
  }
  return result;
}

ColourLenses FrameLenses::colours(int frame) const {
  const zoom::ColourZoom::AtState& at = at_frames_.at(frame);
  return {at.red->lens, at.green.lens, at.blue->lens};
}

std::vector<lens::Lens> FrameLenses::sharing(int frame, const std::string& channel) const {
  if (channel.empty()) return {lens(frame)};
  return sharing_lenses(colours(frame), channel);
}

std::vector<lens::Lens> FrameLenses::all() const {
  std::vector<lens::Lens> all;
  for (const auto& [frame, at] : at_frames_) {
    all.push_back(at.green.lens);
    if (at.red) all.push_back(at.red->lens);
    if (at.blue) all.push_back(at.blue->lens);
  }
  return all;
}

warp::LensAttributes FrameLenses::attributes(const profile::Profile& profile, int frame) const {
  const zoom::LensAtState& at = at_frames_.at(frame).green;
  warp::LensAttributes attributes = lens_attributes(profile);
  const std::optional<Point2d> focal_mm = lens::focal_mm(at.lens);
  attributes.pinhole_focal_mm = focal_mm ? std::optional(focal_mm->x()) : std::nullopt;
  attributes.nominal_focal_mm = from_headers_ ? std::nullopt : at.state.focal_mm;
  attributes.focus_m = from_headers_ ? std::nullopt : at.state.focus_m;
  attributes.t_stop = from_headers_ ? std::nullopt : at.state.t_stop;
  attributes.entrance_pupil_mm = at.entrance_pupil_mm;
  return attributes;
}

std::vector<Warning> FrameLenses::warnings() const {
  std::map<std::string, std::pair<Warning, int>> worst;
  for (const auto& [frame, at] : at_frames_) {
    for (const Warning& warning : at.green.warnings) {
      auto [found, is_new] = worst.try_emplace(warning.code, warning, 0);
      ++found->second.second;
      if (!is_new && warning.value > found->second.first.value) found->second.first = warning;
    }
  }
  std::vector<Warning> all;
  for (const auto& [code, entry] : worst) {
    all.push_back({code,
                   fmt::format("in {} of {} frames, at worst: {}",
                               entry.second,
                               at_frames_.size(),
                               entry.first.message),
                   entry.first.value});
  }
  return all;
}

nlohmann::json FrameLenses::json() const {
  nlohmann::json all = nlohmann::json::array();
  for (const auto& [frame, colours] : at_frames_) {
    const zoom::LensAtState& at = colours.green;
    nlohmann::json row = state_json(at.state);
    row["frame"] = frame;
    row["focal_px"] = {{"x", at.lens.focal_px.x()}, {"y", at.lens.focal_px.y()}};
    row["principal_point_px"] = {{"x", at.lens.principal_point_px.x()},
                                 {"y", at.lens.principal_point_px.y()}};
    row["sigma_px"] = at.sigma.rms_px;
    all.push_back(std::move(row));
  }
  return all;
}

std::string FrameLenses::text() const {
  const auto& [first_frame, first] = *at_frames_.begin();
  const auto& [last_frame, last] = *at_frames_.rbegin();
  double sigma_px = 0.0;
  for (const auto& [frame, at] : at_frames_) sigma_px = std::max(sigma_px, at.green.sigma.rms_px);
  return fmt::format(
      "a lens for each of {} frames: {} at {}, {} at {}; predicted error {:.3f} px or less\n",
      at_frames_.size(),
      zoom::state_text(first.green.state),
      first_frame,
      zoom::state_text(last.green.state),
      last_frame,
      sigma_px);
}

Result<ShotProfile> read_shot_profile(const ShotSource& source) {
  if (!source.per_frame.given()) {
    if (source.per_frame.smooth_frames > 0.0) return fail(smooth_alone());
    Result<ProfileAtState> at = read_profile_at(source.path, source.state);
    if (!at) return fail(at.error());
    return ShotProfile{at->profile, at->profile, std::nullopt, std::move(at->warnings)};
  }
  Result<profile::Profile> whole = read_lens_profile(source.path);
  if (!whole) return fail(whole.error());
  Result<FrameLenses> lenses = FrameLenses::create(*whole, source);
  if (!lenses) return fail(lenses.error());
  ShotProfile shot{.whole = *std::move(whole), .profile = {}, .lenses = {}, .warnings = {}};
  const zoom::LensAtState& first = lenses->at_frames().begin()->second.green;
  shot.profile = shot.whole;
  shot.profile.stations.resize(1);
  profile::Station& station = shot.profile.stations.front();
  station = {};
  station.lens = first.lens;
  station.nominal_focal_mm = first.state.focal_mm;
  station.focus_m = first.state.focus_m;
  station.t_stop = first.state.t_stop;
  station.entrance_pupil_mm = first.entrance_pupil_mm;
  station.warnings = first.warnings;
  shot.warnings = lenses->warnings();
  shot.lenses = *std::move(lenses);
  return shot;
}

}  // namespace trueplate::cli
