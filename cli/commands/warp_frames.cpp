// `undistort` and `redistort`: one command in two directions.

#include <fmt/format.h>

#include <memory>

#include "calib/profile/profile.h"
#include "cli/commands/commands.h"
#include "cli/footage_options.h"
#include "cli/frame_settings.h"
#include "cli/handoff_report.h"
#include "cli/pass_options.h"
#include "cli/profile_option.h"
#include "cli/sequence_report.h"
#include "cli/straight_handoff.h"
#include "warp/io/lens_warp.h"
#include "warp/io/sequence.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string profile;
  FrameArguments frames;
  std::string output;
  std::string overscan = "auto";
  PassArguments passes;
  std::string compression;
  int round_to = 2;
  int in_flight = 0;
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
  const Result<profile::Profile> profile = read_single_profile(options.profile);
  if (!profile) return report_failure(profile.error());
  const Result<warp::LensWarp> lens_warp = lens_warp_of(options, *profile, *lens_options);
  if (!lens_warp) return report_failure(lens_warp.error());
  const Result<std::string> settings = frame_settings(app, *profile);
  if (!settings) return report_failure(settings.error());
  const Result<footage::FrameSet> frames =
      footage::resolve_frames(options.frames.arguments, options.frames.range);
  if (!frames) return report_frames(frames.error());
  const Result<std::vector<warp::SequenceJob>> jobs =
      warp::make_jobs(frames->frames, options.output);
  if (!jobs) return report_usage(jobs.error());
  const warp::WriteOptions write{.compression = options.compression,
                                 .overwrite = common.overwrite_policy()};
  for (const warp::SequenceJob& job : *jobs) {
    if (Result<void> writable = warp::check_writable_format(job.output, write); !writable) {
      return report_usage(writable.error());
    }
  }
  std::vector<std::string> inputs = paths_of(*frames);
  inputs.push_back(options.profile);
  std::vector<std::string> outputs;
  for (const warp::SequenceJob& job : *jobs) outputs.push_back(job.output.string());
  Result<HandoffFiles> files =
      HandoffFiles::create(undistort ? options.handoff : "none", options.output);
  if (!files) return report_usage(files.error());
  const Result<StraightHandoff> handoff = StraightHandoff::create(
      *jobs, *lens_warp, *profile, lens_options->passes.filter, *std::move(files));
  if (!handoff) return report_failure(handoff.error());
  CommonOptions report = common;  // of the file that --json names
  report.overwrite = common.overwrite || is_earlier_report(common.json);
  // Whether frames that exist may stay or be replaced is known once they are looked at.
  if (Result<void> free = check_outputs(outputs, inputs, report, Overwrite::kAllow); !free) {
    return report_failure(free.error());
  }
  CommonOptions beside = common;
  beside.json.clear();  // has been checked
  inputs.insert(inputs.end(), outputs.begin(), outputs.end());
  inputs.push_back(report.json);
  if (Result<void> free = check_outputs(handoff->files().outstanding(), inputs, beside); !free) {
    return report_failure(free.error());
  }
  if (Result<void> known = check_passes(lens_options->passes, *frames); !known) {
    return report_usage(known.error());
  }
  footage::set_io_threads(common.threads);

  const warp::LensAttributes attributes = lens_attributes(*profile);
  Progress progress(common, std::string(warp::to_text(direction)));
  warp::SequenceOptions sequence_options;
  sequence_options.write = write;
  sequence_options.read.parts = footage::Parts::kAll;
  sequence_options.settings = *settings;
  sequence_options.max_frames_in_flight = options.in_flight;
  sequence_options.threads = common.threads;
  sequence_options.interrupt = &interrupt_flag();
  sequence_options.progress = [&](const warp::SequenceProgress& state) {
    progress.update(static_cast<int>(state.finished), static_cast<int>(state.total), state.frame);
  };
  const Result<warp::SequenceSummary> summary = warp::process_sequence(
      *jobs,
      [&](footage::Frame frame,
          const warp::SequenceJob& job,
          int threads) -> Result<footage::Frame> {
        Result<footage::Frame> warped = lens_warp->apply(std::move(frame), threads);
        if (warped) {
          if (undistort) handoff->finish(job, *warped);
          if (warp::keeps_windows(job.output)) warp::add_lens_attributes(*warped, attributes);
          return warped;
        }
        return fail(warped.error().code,
                    fmt::format("{}: {}", job.input.name, warped.error().message));
      },
      sequence_options);
  if (!summary) return report_failure(summary.error());

  const std::vector<warp::TreatedChannel> channels = lens_warp->treated_channels();
  const auto write_handoff = [&]() -> Result<void> {
    Result<void> written = handoff->write(common.overwrite_policy());
    if (written) report_handoff(handoff->files(), common);
    return written;
  };
  return report_sequence({.summary = *summary,
                          .frames = *frames,
                          .channels = channels,
                          .output = options.output,
                          .beside = write_handoff},
                         common,
                         report);
}

Action add(CLI::App& app, warp::MapDirection direction) {
  const bool undistort = direction == warp::MapDirection::kUndistort;
  auto options = std::make_shared<Options>();
  app.add_option("PROFILE", options->profile, "the lens profile")->required()->type_name("");
  add_frames(app,
             options->frames,
             undistort ? "plates: files, folders, globs or patterns"
                       : "straight renders: files, folders, globs or patterns");
  app.add_option("-o,--output", options->output, "file, folder/ or pattern such as out.####.exr")
      ->required()
      ->type_name("PATTERN");
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
  app.add_option("--compression", options->compression, "of the output; default: as the input");
  app.add_flag("--per-channel",
               options->per_channel,
               "red, green and blue each through its own lens, of a profile made so");
  app.add_option("--in-flight", options->in_flight, "most frames in memory; 0: threads + 1")
      ->check(CLI::Range(0, 1024))
      ->type_name("N");
  return [options, direction, &app](const CommonOptions& common) {
    return run(*options, app, direction, common);
  };
}

}  // namespace

Action add_undistort(CLI::App& app) { return add(app, warp::MapDirection::kUndistort); }
Action add_redistort(CLI::App& app) { return add(app, warp::MapDirection::kRedistort); }

}  // namespace trueplate::cli
