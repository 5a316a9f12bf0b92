// `apply`: frames through an ST-map, wherever it comes from.

#include <fmt/format.h>

#include <map>
#include <memory>
#include <mutex>
#include <string>

#include "cli/commands/commands.h"
#include "cli/footage_options.h"
#include "cli/frame_settings.h"
#include "cli/map_options.h"
#include "cli/pass_options.h"
#include "cli/sequence_report.h"
#include "warp/io/map_warp.h"
#include "warp/io/sequence.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string map;
  FrameArguments frames;
  std::string output;
  MapArguments arguments;
  PassArguments passes;
  std::string compression;
  int in_flight = 0;
};

int run(const Options& options, const CLI::App& app, const CommonOptions& common) {
  const Result<warp::StMapAssumptions> assumptions = map_assumptions(options.arguments);
  if (!assumptions) return report_usage(assumptions.error());
  const Result<warp::PassSettings> passes = pass_settings(options.passes);
  if (!passes) return report_usage(passes.error());
  const Result<footage::FrameSet> frames =
      footage::resolve_frames(options.frames.arguments, options.frames.range);
  if (!frames) return report_frames(frames.error());
  const Result<std::vector<warp::SequenceJob>> jobs =
      warp::make_jobs(frames->frames, options.output);
  if (!jobs) return report_usage(jobs.error());
  const warp::WriteOptions write{.compression = options.compression,
                                 .overwrite = common.overwrite_policy()};
  std::vector<std::string> outputs;
  for (const warp::SequenceJob& job : *jobs) {
    if (Result<void> writable = warp::check_writable_format(job.output, write); !writable) {
      return report_usage(writable.error());
    }
    outputs.push_back(job.output.string());
  }
  std::vector<std::string> inputs = paths_of(*frames);
  inputs.push_back(options.map);
  CommonOptions report = common;  // of the file that --json names
  report.overwrite = common.overwrite || is_earlier_report(common.json);
  if (Result<void> free = check_outputs(outputs, inputs, report, Overwrite::kAllow); !free) {
    return report_failure(free.error());
  }
  if (Result<void> known = check_passes(*passes, *frames); !known) {
    return report_usage(known.error());
  }
  footage::set_io_threads(common.threads);
  Result<warp::StMapFile> file = warp::read_st_map(options.map, *assumptions, common.threads);
  if (!file) return report_failure(file.error());
  report_warnings(file->warnings, common);
  const Result<std::string> settings = frame_settings(app);
  if (!settings) return report_failure(settings.error());

  const warp::MapWarp map_warp(std::move(file->map), *passes);
  Progress progress(common, "apply");
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
        Result<footage::Frame> warped = map_warp.apply(std::move(frame), threads);
        if (warped) return warped;
        return fail(warped.error().code,
                    fmt::format("{}: {}", job.input.name, warped.error().message));
      },
      sequence_options);
  if (!summary) return report_failure(summary.error());
  const std::vector<warp::TreatedChannel> channels = map_warp.treated_channels();
  return report_sequence({.summary = *summary,
                          .frames = *frames,
                          .channels = channels,
                          .output = options.output,
                          .beside = {}},
                         common,
                         report);
}

}  // namespace

Action add_apply(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("MAP", options->map, "the ST-map, this program's or another's")
      ->required()
      ->type_name("");
  add_frames(app, options->frames, "pictures: files, folders, globs or patterns");
  app.add_option("-o,--output", options->output, "file, folder/ or pattern such as out.####.exr")
      ->required()
      ->type_name("PATTERN");
  add_map_options(app, options->arguments);
  add_passes(app, options->passes);
  app.add_option("--compression", options->compression, "of the output; default: as the input");
  app.add_option("--in-flight", options->in_flight, "most frames in memory; 0: threads + 1")
      ->check(CLI::Range(0, 1024))
      ->type_name("N");
  return [options, &app](const CommonOptions& common) { return run(*options, app, common); };
}

}  // namespace trueplate::cli
