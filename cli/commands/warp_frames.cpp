// `undistort` and `redistort`: one command in two directions.

#include <fmt/format.h>

#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/frame_sequence.h"
#include "cli/frame_settings.h"
#include "cli/handoff_report.h"
#include "cli/pass_options.h"
#include "cli/per_frame.h"
#include "cli/profile_option.h"
#include "cli/sequence_report.h"
#include "cli/state_options.h"
#include "cli/straight_handoff.h"
#include "warp/io/lens_warp.h"
#include "warp/overscan.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  StateArguments state;
  PerFrameArguments per_frame;
  SequenceArguments sequence;
  std::string overscan = "auto";
  PassArguments passes;
  int round_to = 2;
  bool per_channel = false;
  std::string handoff;  // undistort
};

Result<warp::LensWarpOptions> warp_options(const Options& options, warp::MapDirection direction) {
  const Result<warp::OverscanRequest> overscan = warp::parse_overscan(options.overscan);
  if (!overscan) return fail(overscan.error());
  const Result<warp::PassSettings> passes = pass_settings(options.passes);
  if (!passes) return fail(passes.error());
  return warp::LensWarpOptions{.direction = direction,
                               .overscan = *overscan,
                               .round_to = options.round_to,
                               .passes = *passes};
}

Result<warp::LensWarp> lens_warp_of(const Options& options,
                                    const profile::Profile& profile,
                                    const warp::LensWarpOptions& lens_options) {
  if (!options.per_channel) {
    return warp::LensWarp(profile.stations.front().lens, lens_options);
  }
  Result<ColourLenses> lenses = colour_lenses(profile, options.profile);
  if (!lenses) return fail(lenses.error());
  return warp::LensWarp({lenses->red, lenses->green, lenses->blue}, lens_options);
}

/// With a lens for every frame: an overscan that is found from the lens becomes the one that all of
/// them need together, or the straight pictures would differ in size.
Result<void> fit_overscan(const ShotProfile& shot,
                          const footage::FrameSet& frames,
                          warp::LensWarpOptions& options) {
  using Kind = warp::OverscanRequest::Kind;
  if (!shot.lenses || options.direction != warp::MapDirection::kUndistort ||
      options.overscan.kind != Kind::kAuto) {
    return {};
  }
  const footage::FrameRef& first = frames.frames.front();
  const Result<footage::Frame> header =
      first.movie_frame ? Result<footage::Frame>(fail(ErrorCode::kUnsupported, ""))
                        : footage::read_frame_header(first.path);
  std::vector<lens::Lens> lenses;
  for (const lens::Lens& calibrated : shot.lenses->all()) {
    Result<lens::Lens> lens = lens::for_picture_of(
        calibrated, header ? header->windows.display.size() : calibrated.plate_size);
    if (!lens) return fail(lens.error());
    lenses.push_back(*std::move(lens));
  }
  const Result<warp::Overscan> overscan = warp::common_overscan(
      lenses,
      options.overscan,
      {.round_to = options.round_to, .margin_px = warp::kernel_width(options.passes.filter) / 2});
  if (!overscan) return fail(overscan.error());
  options.overscan = {.kind = Kind::kPixels, .pixels = overscan->edges};
  return {};
}

/// `straight: 2078x1100 around a 2048x1080 display window (overscan 15,10,15,10)`
std::string size_text(const FrameWindows& windows) {
  const Window& data = windows.data;
  const Window& display = windows.display;
  return fmt::format("straight: {}x{} around a {}x{} display window (overscan {},{},{},{})\n",
                     data.width,
                     data.height,
                     display.width,
                     display.height,
                     display.x - data.x,
                     display.y - data.y,
                     data.x + data.width - display.x - display.width,
                     data.y + data.height - display.y - display.height);
}

int run(const Options& options,
        const CLI::App& app,
        warp::MapDirection direction,
        const CommonOptions& common) {
  const bool undistort = direction == warp::MapDirection::kUndistort;
  Result<warp::LensWarpOptions> lens_options = warp_options(options, direction);
  if (!lens_options) return report_usage(lens_options.error());
  const Result<FrameSequence> sequence = FrameSequence::create(options.sequence, common);
  if (!sequence) return report_frames(sequence.error());
  if (options.per_channel && options.per_frame.given()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--per-frame interpolates one lens for all colours; leave --per-channel "
                         "out"});
  }
  const Result<ShotProfile> shot =
      read_shot_profile(options.profile, options.state, options.per_frame, &sequence->frames());
  if (!shot) return report_failure(shot.error());
  report_warnings(shot->warnings, common);
  const profile::Profile& profile = shot->profile;
  if (Result<void> fitting = fit_overscan(*shot, sequence->frames(), *lens_options); !fitting) {
    return report_failure(fitting.error());
  }
  const Result<warp::LensWarp> lens_warp = lens_warp_of(options, profile, *lens_options);
  if (!lens_warp) return report_failure(lens_warp.error());
  const Result<std::string> settings = frame_settings(app, shot->whole);
  if (!settings) return report_failure(settings.error());
  Result<HandoffFiles> files =
      HandoffFiles::create(undistort ? options.handoff : "none", options.sequence.output);
  if (!files) return report_usage(files.error());
  const Result<StraightHandoff> handoff = StraightHandoff::create(
      sequence->jobs(), *lens_warp, profile, lens_options->passes.filter, *std::move(files));
  if (!handoff) return report_failure(handoff.error());
  if (Result<void> free = sequence->check(options.profile); !free) {
    return report_failure(free.error());
  }
  CommonOptions beside = common;
  beside.json.clear();  // has been checked
  std::vector<std::string> taken = sequence->inputs();
  taken.push_back(options.profile);
  const std::vector<std::string> outputs = sequence->outputs();
  taken.insert(taken.end(), outputs.begin(), outputs.end());
  taken.push_back(common.json);
  if (Result<void> free = check_outputs(handoff->files().outstanding(), taken, beside); !free) {
    // Where the frames are another lens's, too, they are what matters.
    const Result<void> made = sequence->check_made(*settings);
    if (made) return report_failure(free.error());
    return report_failure(
        {made.error().code,
         fmt::format("{}; so does the hand-off: {}", made.error().message, free.error().message)});
  }
  if (Result<void> known = check_passes(lens_options->passes, sequence->frames()); !known) {
    return report_usage(known.error());
  }

  const warp::LensAttributes attributes = lens_attributes(profile);
  std::mutex mutex;
  std::vector<warp::TreatedChannel> channels;
  std::optional<FrameWindows> straight;  // of the first frame that was made
  const auto warp_frame = [&](footage::Frame frame, const warp::SequenceJob& job, int threads) {
    const bool own = shot->lenses.has_value();
    // Its map is kept by what comes out of it, and is of no use to another frame.
    const warp::LensWarp of_frame(own ? shot->lenses->lens(*job.input.number) : lens::Lens{},
                                  *lens_options);
    const warp::LensWarp& used = own ? of_frame : *lens_warp;
    Result<warp::FrameInRows> warped = used.in_rows(std::move(frame), threads);
    if (!warped) return warped;
    const FrameWindows windows = warped->frame.windows;
    if (undistort) handoff->finish(job, warped->frame);
    if (warp::keeps_windows(job.output)) {
      warp::add_lens_attributes(
          warped->frame, own ? shot->lenses->attributes(profile, *job.input.number) : attributes);
    }
    const std::lock_guard lock(mutex);
    channels = used.treated_channels();
    if (undistort && !straight) straight = windows;
    return warped;
  };
  const Result<warp::SequenceSummary> summary =
      sequence->run(warp::to_text(direction), *settings, warp_frame);
  if (!summary) return report_failure(summary.error());

  if (shot->lenses) print(common, shot->lenses->text());
  const auto write_handoff = [&]() -> Result<void> {
    if (straight) print(common, size_text(*straight));
    Result<void> written = handoff->write(common.overwrite_policy());
    if (written) report_handoff(handoff->files(), common);
    return written;
  };
  return report_sequence({.summary = *summary,
                          .frames = sequence->frames(),
                          .channels = channels,
                          .output = options.sequence.output,
                          .beside = write_handoff,
                          .lenses = shot->lenses ? shot->lenses->json() : nlohmann::json()},
                         common,
                         sequence->report());
}

Action add(CLI::App& app, warp::MapDirection direction) {
  const bool undistort = direction == warp::MapDirection::kUndistort;
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  add_state_options(app, options->state);
  add_per_frame_options(app, options->per_frame, OwnHeaders::kYes);
  add_sequence(app,
               options->sequence,
               undistort ? "plates: files, folders, globs or patterns"
                         : "straight renders: files, folders, globs or patterns");
  app.add_option("--overscan",
                 options->overscan,
                 undistort
                     ? "none, auto (keep the whole plate), 8% or L,T,R,B in pixels"
                     : "of the renders: auto (as the file's windows say), none, 8% or L,T,R,B "
                       "in pixels")
      ->capture_default_str();
  app.add_option("--round",
                 options->round_to,
                 undistort
                     ? "round the overscan of each edge up to a multiple (auto and percentages)"
                     : "as for undistort, where --overscan is a percentage")
      ->check(CLI::Range(1, 1024))
      ->capture_default_str()
      ->type_name("N");
  if (undistort) add_handoff_option(app, options->handoff);
  add_passes(app, options->passes);
  app.add_flag("--per-channel",
               options->per_channel,
               "red, green and blue each through its own lens, of a profile made so");
  return [options, direction, &app](const CommonOptions& common) {
    return run(*options, app, direction, common);
  };
}

}  // namespace

Action add_undistort(CLI::App& app) { return add(app, warp::MapDirection::kUndistort); }
Action add_redistort(CLI::App& app) { return add(app, warp::MapDirection::kRedistort); }

}  // namespace trueplate::cli
