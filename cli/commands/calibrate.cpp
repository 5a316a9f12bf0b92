#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <span>
#include <utility>

#include "calib/base/interrupt.h"
#include "calib/base/text.h"
#include "calib/calibrate.h"
#include "cli/calibration_report.h"
#include "cli/chart_distance.h"
#include "cli/clip_option.h"
#include "cli/commands/commands.h"
#include "cli/detection_pictures.h"
#include "cli/document_date.h"
#include "cli/footage_options.h"
#include "cli/help/spelling.h"
#include "cli/lens_options.h"
#include "cli/pool_option.h"
#include "cli/report/calibration_page.h"
#include "cli/report/write_report.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

struct Options {
  FrameArguments frames;
  std::vector<std::string> clips;  // in the place of frames
  std::string pool = "auto";       // of the clips' stations
  ChartOptions chart;
  std::string output;
  std::string observations;
  std::string draw;    // folder; empty: no pictures
  std::string report;  // a page; empty: none
  std::string model = "auto";
  LensOptions lens;
  std::string entrance_pupil;
  std::string chart_distance;
  std::string chart_distance_sigma;  // empty: a share of the distance
  std::string chart_shape = "auto";
  bool fix_focal = false;
  bool keep_all = false;
  bool per_channel = false;
  bool accept_fold = false;
  int most_frames = kMostFrames;
};

/// What --model understands.
std::vector<std::string> model_words() {
  std::vector<std::string> words{"auto"};
  for (const lens::ModelInfo& row : lens::model_table()) words.emplace_back(row.name);
  return words;
}

Result<CalibrateOptions> calibrate_options(const Options& options, const CommonOptions& common) {
  CalibrateOptions result;
  result.labels = options.lens.labels;
  result.pixel_aspect = options.lens.pixel_aspect;
  result.squeeze = options.lens.squeeze;
  result.t_stop = options.lens.t_stop;
  result.program_version = kVersion;
  result.fit.threads = common.threads;
  result.fit.interrupt = &interrupt_flag();
  result.accept_fold = options.accept_fold;
  result.choose_model = options.model == "auto";
  if (!result.choose_model) result.fit.model = options.model;
  if (options.fix_focal && options.lens.focal.empty()) {
    return fail(ErrorCode::kInvalidInput,
                "--fix-focal: there is no focal length to keep; add --focal, such as --focal 35mm, "
                "and --film-back");
  }
  const auto shape = fit::chart_shape_from_name(options.chart_shape);
  if (!shape) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("--chart-shape: '{}' is none of auto, flat, stretched, bent, misprinted",
                    options.chart_shape));
  }
  result.fit.chart_shape = *shape;
  if (options.keep_all) result.fit.rejection = fit::Rejection::kOff;
  if (options.fix_focal) result.fit.focal_mode = fit::FocalMode::kFixed;
  const Result<LensLengths> lengths = lengths_of(options.lens);
  if (!lengths) return fail(lengths.error());
  result.film_back = lengths->film_back;
  result.nominal_focal_mm = lengths->focal_mm;
  result.focus_m = lengths->focus_m;
  if (!options.entrance_pupil.empty()) {
    const Result<double> pupil = parse_length_mm(options.entrance_pupil);
    if (!pupil) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("--entrance-pupil: {}", pupil.error().message));
    }
    result.entrance_pupil_mm = *pupil;
  }
  const Result<std::optional<fit::Measured>> chart_distance =
      parse_chart_distance(options.chart_distance, options.chart_distance_sigma);
  if (!chart_distance) return fail(chart_distance.error());
  if (*chart_distance && options.fix_focal) {
    return fail(ErrorCode::kInvalidInput,
                "--chart-distance: --fix-focal already says what the focal length is; leave one of "
                "the two out");
  }
  result.fit.chart_distance_mm = *chart_distance;
  return result;
}

/// A line of progress for each stage of choosing a model; it goes when the stage is done.
fit::ModelProgress show_models(const CommonOptions& common) {
  auto line = std::make_shared<std::unique_ptr<Progress>>();
  return [line, &common](std::string_view stage, int done, int total, std::string_view model) {
    if (done == 0) *line = std::make_unique<Progress>(common, std::string(stage));
    (*line)->update(done, total, model);
    if (done == total) line->reset();
  };
}

/// A fit that fails because it cannot tell the focal length: with the options that give it.
int report_fit(Error error, const Options& options) {
  if (error.code == ErrorCode::kUndetermined && !options.fix_focal) {
    error.message += " (--focal, --film-back and --fix-focal; or --chart-distance)";
  }
  return report_failure(error);
}

/// A calibration, and what it was made from.
struct Made {
  const Calibration& calibration;
  std::span<const target::View> views;
  const footage::FrameSet* frames = nullptr;  // null: observations were given
};

/// What is done with a calibration; the exit status.
using Finish = std::function<int(const Made&)>;

Result<void> write_page(const Made& made, const Options& options, const CommonOptions& common) {
  if (options.report.empty()) return {};
  const Result<std::string> date = document_date("");
  if (!date) return fail(date.error());
  return write_report_file(
      calibration_page({.profile = &made.calibration.profile,
                        .views = made.views,
                        .fit = &made.calibration.fit,
                        .trials = made.calibration.trials,
                        .no_trials = fmt::format("The model was asked for by name (--model {}), so "
                                                 "no other was tried. Without that, or with "
                                                 "--model auto, all are.",
                                                 options.model),
                        .frames = made.frames,
                        .date = *date,
                        .threads = common.threads}),
      options.report,
      common);
}

int finish(const Made& made, const Options& options, const CommonOptions& common) {
  const Calibration& calibration = made.calibration;
  if (is_interrupted(&interrupt_flag())) return report_failure(interruption().error);
  if (Result<void> written =
          profile::write_profile(options.output, calibration.profile, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common, calibration_text(calibration, options.output));
  if (Result<void> written = write_page(made, options, common); !written) {
    return report_failure(written.error());
  }
  report_warnings(calibration.profile.stations.front().warnings, common);
  if (Result<void> written = write_json(common, calibration_json(calibration)); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

std::vector<std::string> outputs_of(const Options& options) {
  return {options.output, options.observations, options.report};
}

bool is_observations(const FrameArguments& frames) {
  return frames.arguments.size() == 1 &&
         std::filesystem::path(frames.arguments.front()).extension() == ".csv";
}

/// For a first lens, to measure the points again with: of it the uncertainty is not asked, and a
/// bent chart hardly changes how a patch of it is imaged.
CalibrateOptions for_measuring(CalibrateOptions options) {
  options.fit.held_out_folds = 0;
  options.fit.chart_shape = fit::ChartShape::kFlat;
  return options;
}

int calibrate_frames(const Options& options,
                     const CalibrateOptions& calibrate_options,
                     const CommonOptions& common,
                     const Finish& finished) {
  const Result<target::Chart> chart = chart_of(options.chart);
  if (!chart) return report_chart(chart.error());
  const Result<footage::FrameSet> frames =
      footage::resolve_frames(options.frames.arguments, options.frames.range);
  if (!frames) return report_frames(frames.error());
  if (Result<void> free = check_outputs(outputs_of(options), paths_of(*frames), common); !free) {
    return report_failure(free.error());
  }
  Result<DetectionPictures> pictures = DetectionPictures::plan(options.draw, *frames, common);
  if (!pictures) return report_failure(pictures.error());
  const Sought sought{
      .chart = *chart,
      .plane = options.per_channel ? footage::Plane::kGreen : footage::Plane::kLuma};
  Result<std::vector<DetectedFrame>> detected = detect(*frames, sought, *pictures, common);
  if (!detected) return report_failure(detected.error());
  bool partly = pictures->report_failures() > 0;
  choose_frames(*detected, options.most_frames);
  Result<Calibration> calibration = calibrate(*detected, *chart, for_measuring(calibrate_options));
  if (!calibration) return report_fit(calibration.error(), options);
  if (Result<void> again = measure_again(*frames, *calibration, sought, common, *detected);
      !again) {
    return report_failure(again.error());
  }
  calibration = calibrate(*detected, *chart, calibrate_options);
  if (!calibration) return report_fit(calibration.error(), options);
  if (options.per_channel) {
    if (Result<void> colours =
            fit_colours(*frames, *detected, sought, calibrate_options.fit, common, *calibration);
        !colours) {
      return report_failure(colours.error());
    }
  }
  const Result<footage::Observations> observations = observations_of(*detected, *chart);
  if (!observations) return report_failure(observations.error());
  if (!options.observations.empty()) {
    if (Result<void> written = write_observations(options.observations, *observations, common);
        !written) {
      return report_failure(written.error());
    }
  }
  const int status = finished({*calibration, observations->views, &*frames});
  if (status != kDone) return status;
  if (report_other_sizes(*detected, calibration->fit.lens.plate_size)) partly = true;
  for (const DetectedFrame& frame : *detected) {
    if (frame.error) partly = true;
  }
  return partly ? kPartly : kDone;
}

int calibrate_one(const Options& options, const CommonOptions& common, const Finish& finished) {
  Result<CalibrateOptions> calibrate = calibrate_options(options, common);
  if (!calibrate) return report_usage(calibrate.error());
  calibrate->model_progress = show_models(common);
  if (Result<void> free = check_outputs(outputs_of(options), options.frames.arguments, common);
      !free) {
    return report_failure(free.error());
  }
  if (!is_observations(options.frames)) {
    return calibrate_frames(options, *calibrate, common, finished);
  }
  if (!options.draw.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--draw shows what was found in frames, and the input is observations"});
  }
  if (options.per_channel) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--per-channel measures red, green and blue in frames, and the input is "
                         "observations; give the frames"});
  }
  for (const auto& [name, value] : {std::pair("--chart", &options.chart.kind),
                                    std::pair("--pitch", &options.chart.pitch),
                                    std::pair("--grid", &options.chart.grid)}) {
    if (value->empty() || !options.clips.empty()) continue;
    return report_usage({ErrorCode::kInvalidInput,
                         fmt::format("{} says what to look for in frames, and the input is "
                                     "observations, whose points have their places on the chart; a "
                                     "line '# grid: 14x9' in the file says that the frames count "
                                     "from the same corner of one chart",
                                     name)});
  }
  if (!options.observations.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--observations writes what was detected, and here nothing is: the input "
                         "is observations already"});
  }
  const std::filesystem::path file(options.frames.arguments.front());
  const Result<Calibration> calibration = trueplate::calibrate(file, *calibrate);
  if (!calibration) return report_fit(calibration.error(), options);
  const Result<footage::Observations> observations = footage::read_observations(file);
  if (!observations) return report_failure(observations.error());
  return finished({*calibration, observations->views});
}

/// Calibrates clip after clip and puts their stations into one profile.
int calibrate_clips(const Options& options, const CommonOptions& common) {
  if (!options.frames.arguments.empty() || !options.draw.empty() || !options.observations.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--clip names the frames of each station: FRAMES, --draw and "
                         "--observations are for one at a time"});
  }
  const Result<zoom::Pooling> pooling = pooling_of(options.pool);
  if (!pooling) return report_usage(pooling.error());
  std::vector<Options> stations;
  for (const std::string& text : options.clips) {
    const Result<Clip> clip = parse_clip(text);
    if (!clip) return report_usage(clip.error());
    Options& one = stations.emplace_back(options);
    one.frames.arguments = {clip->frames};
    if (!clip->focal.empty()) one.lens.focal = clip->focal;
    if (!clip->focus.empty()) one.lens.focus = clip->focus;
    if (clip->t_stop) one.lens.t_stop = clip->t_stop;
    if (!clip->entrance_pupil.empty()) one.entrance_pupil = clip->entrance_pupil;
    if (const auto valid = calibrate_options(one, common); !valid) {
      return report_usage(
          {valid.error().code, fmt::format("--clip {}: {}", text, valid.error().message)});
    }
  }
  bool partly = false;
  std::vector<zoom::NamedProfile> profiles;
  for (std::size_t i = 0; i < stations.size(); ++i) {
    const Options& one = stations[i];
    const std::string& text = options.clips[i];
    print(common, fmt::format("{}\n", text));
    const int status = calibrate_one(one, common, [&](const Made& made) {
      const Calibration& calibration = made.calibration;
      print(common, calibration_text(calibration, "a station"));
      report_warnings(calibration.profile.stations.front().warnings, common);
      profiles.push_back({text, calibration.profile});
      return static_cast<int>(kDone);
    });
    if (status == kPartly) partly = true;
    if (status != kDone && status != kPartly) return status;
  }
  const int status =
      write_gathered(std::move(profiles), *pooling, {options.output, options.report}, common);
  return status == kDone && partly ? kPartly : status;
}

int run(const Options& options, const CommonOptions& common) {
  if (Result<void> named = check_report_option(options.report); !named) {
    return report_usage(named.error());
  }
  if (!options.clips.empty()) return calibrate_clips(options, common);
  if (options.frames.arguments.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "FRAMES is missing: chart frames, observations, or --clip for each "
                         "station of a zoom"});
  }
  return calibrate_one(
      options, common, [&](const Made& made) { return finish(made, options, common); });
}

}  // namespace

Action add_calibrate(CLI::App& app) {
  auto options = std::make_shared<Options>();
  add_frames(
      app, options->frames, "chart frames (files, folders, globs, patterns) or observations");
  app.get_option("FRAMES")->required(false);
  app.add_option("--clip",
                 options->clips,
                 "in the place of FRAMES, once a station of a zoom or a focus pull: "
                 "FRAMES,focal=35mm,focus=2m; also ,t-stop=4 and ,entrance-pupil=110mm")
      ->type_name("CLIP")
      ->allow_extra_args(false);
  add_pool_option(app, options->pool);
  add_chart(app, options->chart);
  add_draw(app, options->draw);
  app.add_option("-o,--output", options->output, "the lens profile")->required()->type_name("FILE");
  one_of(app.add_option("--model",
                        options->model,
                        "lens model; auto tries all and takes the one that predicts best"),
         model_words())
      ->capture_default_str();
  one_of(app.add_option("--chart-shape",
                        options->chart_shape,
                        "what is fitted of the print; auto: what the frames show of it"),
         {"auto", "flat", "stretched", "bent", "misprinted"})
      ->capture_default_str();
  add_lens_options(app, options->lens, "nominal focal length, a start value; needs --film-back");
  app.add_option("--entrance-pupil",
                 options->entrance_pupil,
                 "from the image plane to the entrance pupil, where it is known; a label")
      ->type_name("LENGTH");
  app.add_flag("--fix-focal", options->fix_focal, "keep the focal length at --focal");
  app.add_option("--chart-distance",
                 options->chart_distance,
                 "from the lens to the chart's plane, such as 2.5m; tells the focal length")
      ->type_name("LENGTH");
  app.add_option("--chart-distance-sigma",
                 options->chart_distance_sigma,
                 "standard deviation of --chart-distance; default 1 %, at least 20mm")
      ->type_name("LENGTH");
  app.add_option("--most-frames",
                 options->most_frames,
                 "of more frames than this, choose those worth fitting; 0: fit all")
      ->check(CLI::Range(0, 1'000'000))
      ->capture_default_str()
      ->type_name("N");
  app.add_flag("--keep-all", options->keep_all, "reject neither points nor frames");
  app.add_flag(
      "--accept-fold",
      options->accept_fold,
      "write the lens even where it folds back inside the frame and so has no map in a part "
      "of it; it is refused else");
  app.add_flag("--per-channel",
               options->per_channel,
               "fit green, and red and blue beside it (lateral chromatic aberration)");
  app.add_option("--observations", options->observations, "write what was detected, a CSV file")
      ->type_name("FILE");
  add_report_option(app, options->report);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
