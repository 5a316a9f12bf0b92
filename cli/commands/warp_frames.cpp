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
#include "cli/plate_options.h"
#include "cli/profile_option.h"
#include "cli/sequence_report.h"
#include "cli/shot_handoff.h"
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

warp::LensWarp by_colour(const ColourLenses& lenses, const warp::LensWarpOptions& options) {
  return {{lenses.red, lenses.green, lenses.blue}, options};
}

/// Of the profile's lens; of a shot that of its first frame.
Result<warp::LensWarp> lens_warp_of(const Options& options,
                                    const ShotProfile& shot,
                                    const warp::LensWarpOptions& lens_options) {
  if (!options.per_channel) {
    return warp::LensWarp(shot.profile.stations.front().lens, lens_options);
  }
  if (shot.lenses) {
    return by_colour(shot.lenses->colours(shot.lenses->at_frames().begin()->first), lens_options);
  }
  Result<ColourLenses> lenses = colour_lenses(shot.profile, options.profile);
  if (!lenses) return fail(lenses.error());
  return by_colour(*lenses, lens_options);
}

/// Of one frame of a shot. Its map is kept by what comes out of it, and is of no use to another.
warp::LensWarp lens_warp_of(const Options& options,
                            const FrameLenses& lenses,
                            int frame,
                            const warp::LensWarpOptions& lens_options) {
  if (options.per_channel) return by_colour(lenses.colours(frame), lens_options);
  return {lenses.lens(frame), lens_options};
}

/// What is asked of the frames of a shot whose plates have this size.
Result<ShotRequest> shot_request(const FrameLenses& lenses,
                                 ImageSize plate,
                                 const Options& options,
                                 const warp::LensWarpOptions& lens_options) {
  ShotRequest request;
  const warp::Filter filter = lens_options.passes.filter;
  for (const auto& [frame, at] : lenses.at_frames()) {
    PlateRequest one;
    for (const lens::Lens& calibrated : lenses.sharing(frame, options.per_channel ? "green" : "")) {
      Result<lens::Lens> lens = lens::for_picture_of(calibrated, plate);
      if (!lens) return fail(lens.error());
      one.lenses.push_back(*std::move(lens));
    }
    const lens::Lens& green = one.lenses.front();
    one.map.straight = warp::StraightPinhole{green.focal_px, green.principal_point_px};
    one.overscan = lens_options.overscan;
    one.overscan_options = {.round_to = options.round_to,
                            .margin_px = warp::kernel_width(filter) / 2,
                            .straight = one.map.straight};
    one.filter = filter;
    request.emplace(frame, std::move(one));
  }
  return request;
}

/// With a lens for every frame: an overscan that is found from the lens becomes the one that all of
/// them need together, or the straight pictures would differ in size. Returns its warnings.
Result<std::vector<Warning>> fit_overscan(const ShotProfile& shot,
                                          const footage::FrameSet& frames,
                                          const Options& options,
                                          warp::LensWarpOptions& lens_options) {
  using Kind = warp::OverscanRequest::Kind;
  if (!shot.lenses || lens_options.direction != warp::MapDirection::kUndistort ||
      lens_options.overscan.kind != Kind::kAuto) {
    return std::vector<Warning>{};
  }
  const footage::FrameRef& first = frames.frames.front();
  const Result<footage::Frame> header =
      first.movie_frame ? Result<footage::Frame>(fail(ErrorCode::kUnsupported, ""))
                        : footage::read_frame_header(first.path);
  const ImageSize plate =
      header ? header->windows.display.size() : shot.lenses->all().front().plate_size;
  const Result<ShotRequest> request = shot_request(*shot.lenses, plate, options, lens_options);
  if (!request) return fail(request.error());
  const Result<warp::Overscan> overscan = shot_overscan(*request);
  if (!overscan) return fail(overscan.error());
  lens_options.overscan = {.kind = Kind::kPixels, .pixels = overscan->edges};
  return overscan->warnings;
}

/// The hand-off of the straight pictures of a shot.
Result<ShotHandoff> handoff_of(const ShotProfile& shot,
                               const StraightHandoff::Plate& plate,
                               const Options& options,
                               const warp::LensWarpOptions& lens_options,
                               const std::vector<Warning>& of_overscan) {
  Result<ShotRequest> request =
      shot_request(*shot.lenses, plate.display.size(), options, lens_options);
  if (!request) return fail(request.error());
  for (auto& [frame, one] : *request) one.map.display_window = plate.display;
  return shot_handoff(
      shot.profile, *shot.lenses, *request, {.edges = plate.overscan_px, .warnings = of_overscan});
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
  const Result<ShotProfile> shot = read_shot_profile({.path = options.profile,
                                                      .state = options.state,
                                                      .per_frame = options.per_frame,
                                                      .frames = &sequence->frames(),
                                                      .by_colour = options.per_channel,
                                                      .threads = common.threads});
  if (!shot) return report_failure(shot.error());
  report_warnings(shot->warnings, common);
  const profile::Profile& profile = shot->profile;
  const Result<std::vector<Warning>> of_overscan =
      fit_overscan(*shot, sequence->frames(), options, *lens_options);
  if (!of_overscan) return report_failure(of_overscan.error());
  report_warnings(*of_overscan, common);
  const Result<warp::LensWarp> lens_warp = lens_warp_of(options, *shot, *lens_options);
  if (!lens_warp) return report_failure(lens_warp.error());
  const Result<std::string> settings = frame_settings(app, shot->whole);
  if (!settings) return report_failure(settings.error());
  Result<HandoffFiles> files =
      HandoffFiles::create(undistort ? options.handoff : "none", options.sequence.output);
  if (!files) return report_usage(files.error());
  const auto of_shot = [&](const StraightHandoff::Plate& plate) {
    return handoff_of(*shot, plate, options, *lens_options, *of_overscan);
  };
  const Result<StraightHandoff> handoff =
      StraightHandoff::create(sequence->jobs(),
                              *lens_warp,
                              profile,
                              lens_options->passes.filter,
                              *std::move(files),
                              shot->lenses ? StraightHandoff::OfShot(of_shot) : nullptr);
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
    std::optional<warp::LensWarp> of_frame;
    if (own) {
      of_frame.emplace(lens_warp_of(options, *shot->lenses, *job.input.number, *lens_options));
    }
    const warp::LensWarp& used = own ? *of_frame : *lens_warp;
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

  std::vector<Warning> warnings = shot->warnings;
  warnings.insert(warnings.end(), of_overscan->begin(), of_overscan->end());
  for (const std::vector<Warning>& more :
       {unused_options(app, channels), unused_round(app, options.overscan), handoff->warnings()}) {
    report_warnings(more, common);
    warnings.insert(warnings.end(), more.begin(), more.end());
  }
  if (shot->lenses) print(common, shot->lenses->text());
  const auto write_handoff = [&]() -> Result<void> {
    if (straight) print(common, size_text(*straight));
    Result<void> written = handoff->files().write(common.overwrite_policy());
    if (written) report_handoff(handoff->files(), common);
    return written;
  };
  return report_sequence({.summary = *summary,
                          .frames = sequence->frames(),
                          .channels = channels,
                          .output = options.sequence.output,
                          .beside = write_handoff,
                          .lenses = shot->lenses ? shot->lenses->json() : nlohmann::json(),
                          .warnings = std::move(warnings)},
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
                     ? "how much larger the straight picture is: auto keeps the whole plate; 8 % "
                       "a side, or pixels at each edge"
                     : "of the renders; auto: as the file's windows say")
      ->type_name("auto|none|8%|L,T,R,B")
      ->capture_default_str();
  add_round_option(app,
                   options->round_to,
                   undistort ? "" : "as for undistort, where --overscan is a percentage");
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
