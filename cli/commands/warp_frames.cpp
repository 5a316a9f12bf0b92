// `undistort` and `redistort`: one command in two directions.

#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/frame_sequence.h"
#include "cli/frame_settings.h"
#include "cli/handoff_report.h"
#include "cli/pass_options.h"
#include "cli/profile_option.h"
#include "cli/sequence_report.h"
#include "cli/state_options.h"
#include "cli/straight_handoff.h"
#include "warp/io/lens_warp.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  StateArguments state;
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

int run(const Options& options,
        const CLI::App& app,
        warp::MapDirection direction,
        const CommonOptions& common) {
  const bool undistort = direction == warp::MapDirection::kUndistort;
  const Result<warp::LensWarpOptions> lens_options = warp_options(options, direction);
  if (!lens_options) return report_usage(lens_options.error());
  const Result<ProfileAtState> at_state = read_profile_at(options.profile, options.state);
  if (!at_state) return report_failure(at_state.error());
  const profile::Profile& profile = at_state->profile;
  report_warnings(at_state->warnings, common);
  const Result<warp::LensWarp> lens_warp = lens_warp_of(options, profile, *lens_options);
  if (!lens_warp) return report_failure(lens_warp.error());
  const Result<std::string> settings = frame_settings(app, profile);
  if (!settings) return report_failure(settings.error());
  const Result<FrameSequence> sequence = FrameSequence::create(options.sequence, common);
  if (!sequence) return report_frames(sequence.error());
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
    return report_failure(free.error());
  }
  if (Result<void> known = check_passes(lens_options->passes, sequence->frames()); !known) {
    return report_usage(known.error());
  }

  const warp::LensAttributes attributes = lens_attributes(profile);
  const auto warp_frame = [&](footage::Frame frame, const warp::SequenceJob& job, int threads) {
    Result<warp::FrameInRows> warped = lens_warp->in_rows(std::move(frame), threads);
    if (!warped) return warped;
    if (undistort) handoff->finish(job, warped->frame);
    if (warp::keeps_windows(job.output)) {
      warp::add_lens_attributes(warped->frame, attributes);
    }
    return warped;
  };
  const Result<warp::SequenceSummary> summary =
      sequence->run(warp::to_text(direction), *settings, warp_frame);
  if (!summary) return report_failure(summary.error());

  const std::vector<warp::TreatedChannel> channels = lens_warp->treated_channels();
  const auto write_handoff = [&]() -> Result<void> {
    Result<void> written = handoff->write(common.overwrite_policy());
    if (written) report_handoff(handoff->files(), common);
    return written;
  };
  return report_sequence({.summary = *summary,
                          .frames = sequence->frames(),
                          .channels = channels,
                          .output = options.sequence.output,
                          .beside = write_handoff},
                         common,
                         sequence->report());
}

Action add(CLI::App& app, warp::MapDirection direction) {
  const bool undistort = direction == warp::MapDirection::kUndistort;
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
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
                 undistort ? "round the overscan of each edge up to a multiple"
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
