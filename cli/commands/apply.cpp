// `apply`: frames through an ST-map, wherever it comes from.

#include <memory>
#include <string>
#include <utility>

#include "cli/commands/commands.h"
#include "cli/frame_sequence.h"
#include "cli/frame_settings.h"
#include "cli/map_options.h"
#include "cli/pass_options.h"
#include "cli/sequence_report.h"
#include "warp/io/map_warp.h"

namespace trueplate::cli {
namespace {

struct Options {
  std::string map;
  SequenceArguments sequence;
  MapArguments arguments;
  PassArguments passes;
};

int run(const Options& options, const CLI::App& app, const CommonOptions& common) {
  const Result<warp::StMapAssumptions> assumptions = map_assumptions(options.arguments);
  if (!assumptions) return report_usage(assumptions.error());
  const Result<warp::PassSettings> passes = pass_settings(options.passes);
  if (!passes) return report_usage(passes.error());
  if (options.map.ends_with(".json")) {
    return report_usage({ErrorCode::kInvalidInput,
                         options.map + ": wanted an ST-map, an EXR file; with a lens profile "
                                       "pictures go through `undistort` and `redistort`"});
  }
  const Result<FrameSequence> sequence = FrameSequence::create(options.sequence, common);
  if (!sequence) return report_frames(sequence.error());
  if (Result<void> free = sequence->check(options.map); !free) return report_failure(free.error());
  if (Result<void> known = check_passes(*passes, sequence->frames()); !known) {
    return report_usage(known.error());
  }
  Result<warp::StMapFile> file = warp::read_st_map(options.map, *assumptions, common.threads);
  if (!file) return report_failure(file.error());
  report_warnings(file->warnings, common);
  const Result<std::string> settings = frame_settings(app);
  if (!settings) return report_failure(settings.error());

  const warp::MapWarp map_warp(std::move(file->map), *passes);
  const Result<warp::SequenceSummary> summary = sequence->run(
      "apply", *settings, [&](footage::Frame frame, const warp::SequenceJob&, int threads) {
        if (warp::says_it_is_map(frame)) {
          frame.warnings.push_back({"frame-is-map",
                                    "its header says that it is an ST-map: were map and picture "
                                    "exchanged? Numbers of a map are filtered like colours here",
                                    1.0});
        }
        return map_warp.in_rows(std::move(frame), threads);
      });
  if (!summary) return report_failure(summary.error());
  const std::vector<warp::TreatedChannel> channels = map_warp.treated_channels();
  std::vector<Warning> warnings = file->warnings;
  const std::vector<Warning> unused = unused_options(app, channels);
  report_warnings(unused, common);
  warnings.insert(warnings.end(), unused.begin(), unused.end());
  return report_sequence({.summary = *summary,
                          .frames = sequence->frames(),
                          .channels = channels,
                          .output = options.sequence.output,
                          .beside = {},
                          .warnings = std::move(warnings)},
                         common,
                         sequence->report());
}

}  // namespace

Action add_apply(CLI::App& app) {
  auto options = std::make_shared<Options>();
  app.add_option("MAP", options->map, "the ST-map, this program's or another's")
      ->required()
      ->type_name("");
  add_sequence(app, options->sequence, "pictures: files, folders, globs or patterns");
  add_map_options(app, options->arguments);
  add_passes(app, options->passes);
  return [options, &app](const CommonOptions& common) { return run(*options, app, common); };
}

}  // namespace trueplate::cli
