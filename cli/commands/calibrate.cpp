#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>

#include "calib/base/interrupt.h"
#include "calib/base/text.h"
#include "calib/calibrate.h"
#include "cli/chart_distance.h"
#include "cli/clip_option.h"
#include "cli/colour_report.h"
#include "cli/commands/commands.h"
#include "cli/detection_pictures.h"
#include "cli/footage_options.h"
#include "cli/lens_options.h"
#include "cli/pool_option.h"
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
  std::string draw;  // folder; empty: no pictures
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
std::string model_words() {
  std::string words = "auto";
  for (const lens::ModelInfo& row : lens::model_table()) words += fmt::format(", {}", row.name);
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
  const auto table = lens::model_table();
  if (std::none_of(table.begin(), table.end(), [&](const lens::ModelInfo& row) {
        return row.name == result.fit.model;
      })) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("--model: no model is called '{}'; known: {}", options.model, model_words()));
  }
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

nlohmann::json measured_json(const std::optional<fit::Measured>& measured) {
  if (!measured) return {};
  return {{"value", measured->value}, {"sigma", measured->sigma}};
}

nlohmann::json chart_json(const fit::ChartFit& chart) {
  nlohmann::json tests = nlohmann::json::array();
  for (const fit::ChartTest& test : chart.tests) {
    tests.push_back({{"term", test.term},
                     {"p_value", test.p_value},
                     {"gain_px", test.gain_px},
                     {"held_out_gain", test.held_out_gain},
                     {"kept", test.kept}});
  }
  return {{"pitch_ratio", measured_json(chart.pitch_ratio)},
          {"bend_degree", chart.bend_degree},
          {"bend_mm", measured_json(chart.bend_mm)},
          {"print_error_mm", measured_json(chart.print_error_mm)},
          {"num_turned", chart.num_turned},
          {"not_tested", chart.reason},
          {"tests", tests}};
}

/// What was found out about the print, in a line.
std::string chart_text(const fit::ChartFit& chart) {
  if (chart.as_described()) {
    return chart.reason.empty()
               ? std::string("chart: as described\n")
               : fmt::format("chart: taken as described, not tested: {}\n", chart.reason);
  }
  std::string text;
  const auto add = [&](const std::string& part) { text += (text.empty() ? "" : "; ") + part; };
  // A shape that was asked for is fitted, whether or not the frames show it.
  constexpr double kSignificant = 3.0;
  const auto doubt = [&](const fit::Measured& found, double described) {
    return std::abs(found.value - described) < kSignificant * found.sigma ? ", not significant"
                                                                          : "";
  };
  if (chart.bend_mm) {
    add(fmt::format("bent by {:.3f} mm (sigma {:.3f}, degree {}{})",
                    chart.bend_mm->value,
                    chart.bend_mm->sigma,
                    chart.bend_degree,
                    doubt(*chart.bend_mm, 0.0)));
  }
  if (chart.print_error_mm) {
    add(fmt::format("points off by {:.3f} mm rms (sigma {:.3f} each)",
                    chart.print_error_mm->value,
                    chart.print_error_mm->sigma));
  }
  if (chart.pitch_ratio) {
    add(fmt::format("pitch y over x {:.5f} (sigma {:.5f}{})",
                    chart.pitch_ratio->value,
                    chart.pitch_ratio->sigma,
                    doubt(*chart.pitch_ratio, 1.0)));
  }
  return fmt::format("chart: {}\n", text);
}

/// What the model cannot follow; null where there were too few points to ask.
nlohmann::json misfit_json(const fit::LensFit& fit) {
  if (!fit.misfit) return {};
  return {
      {"p_value", fit.misfit->p_value},
      {"rms_px", fit.misfit->rms_px},
      {"max_px", fit.misfit->max_px},
      {"max_at_px", {{"x", fit.misfit->worst_plate_px.x()}, {"y", fit.misfit->worst_plate_px.y()}}},
      {"noise_sigma_px", fit.misfit->noise_sigma_px}};
}

/// The focal lengths that fit as well, where the frames do not tell it.
nlohmann::json focal_range_json(const fit::LensFit& fit) {
  if (!fit.focal_range_px) return {};
  return {{"least", fit.focal_range_px->first}, {"most", fit.focal_range_px->second}};
}

nlohmann::json trials_json(const std::vector<fit::ModelTrial>& trials) {
  const auto number = [](const std::optional<double>& value) {
    return value ? nlohmann::json(*value) : nlohmann::json();
  };
  nlohmann::json result = nlohmann::json::array();
  for (const fit::ModelTrial& trial : trials) {
    result.push_back({{"model", trial.model},
                      {"coefficients", trial.num_coefficients},
                      {"rms_px", number(trial.rms_px)},
                      {"held_out_rms_px", number(trial.held_out_rms_px)},
                      {"bic_excess", trial.bic_excess},
                      {"held_out_gain", trial.held_out_gain},
                      {"chosen", trial.chosen},
                      {"reason", trial.reason}});
  }
  return result;
}

/// The models that were tried, a line each.
std::string trials_text(const std::vector<fit::ModelTrial>& trials) {
  if (trials.empty()) return "";
  const auto number = [](const std::optional<double>& value) {
    return value ? fmt::format("{:.4f}", *value) : std::string("-");
  };
  std::string text = fmt::format(
      "  {:<22} {:>6} {:>9} {:>9} {:>9}\n", "model", "terms", "rms px", "held out", "BIC over");
  for (const fit::ModelTrial& trial : trials) {
    text += fmt::format("  {:<22} {:>6} {:>9} {:>9} {:>9}  {}\n",
                        trial.model,
                        trial.num_coefficients,
                        number(trial.rms_px),
                        number(trial.held_out_rms_px),
                        trial.rms_px ? fmt::format("{:.0f}", trial.bic_excess) : "-",
                        trial.chosen ? "chosen" : trial.reason);
  }
  return text;
}

nlohmann::json result_json(const Calibration& calibration) {
  const profile::Station& station = calibration.profile.stations.front();
  const lens::Lens& lens = station.lens;
  const std::optional<Point2d> focal_mm = lens::focal_mm(lens);
  nlohmann::json coefficients = nlohmann::json::object();
  const auto names = lens::parameter_names(lens.model);
  const auto values = lens::parameters(lens.model);
  for (std::size_t i = 0; i < names.size(); ++i) coefficients[std::string(names[i])] = values[i];
  nlohmann::json sigma = nlohmann::json::object();
  for (std::size_t i = 0; i < calibration.fit.parameter_names.size(); ++i) {
    sigma[calibration.fit.parameter_names[i]] = calibration.fit.sigma[static_cast<Eigen::Index>(i)];
  }
  nlohmann::json frames = nlohmann::json::array();
  for (const profile::FootageItem& item : calibration.profile.provenance.footage) {
    frames.push_back({{"name", item.name},
                      {"points", item.points},
                      {"rms_px", item.rms_px ? nlohmann::json(*item.rms_px) : nlohmann::json()},
                      {"used", item.used},
                      {"reason", item.reason}});
  }
  const auto& held_out = calibration.fit.held_out_rms_px;
  return {{"model", lens::model_name(lens.model)},
          {"models", trials_json(calibration.trials)},
          {"rms_px", calibration.fit.rms_px},
          {"held_out_rms_px", held_out ? nlohmann::json(*held_out) : nlohmann::json()},
          {"max_px", calibration.fit.max_residual_px},
          {"p95_px", calibration.fit.p95_residual_px},
          {"map_sigma_rms_px", calibration.fit.map_sigma_rms_px},
          {"map_sigma_max_px", calibration.fit.map_sigma_max_px},
          {"map_sigma_share", calibration.fit.map_sigma_share},
          {"misfit", misfit_json(calibration.fit)},
          {"focal_px", {{"x", lens.focal_px.x()}, {"y", lens.focal_px.y()}}},
          {"focal_range_px", focal_range_json(calibration.fit)},
          {"focal_from_distance_px", measured_json(calibration.fit.focal_from_distance_px)},
          {"focal_mm", focal_mm ? nlohmann::json(focal_mm->x()) : nlohmann::json()},
          {"focal_mm_y", focal_mm ? nlohmann::json(focal_mm->y()) : nlohmann::json()},
          {"principal_point_px",
           {{"x", lens.principal_point_px.x()}, {"y", lens.principal_point_px.y()}}},
          {"coefficients", coefficients},
          {"sigma", sigma},
          {"chart", chart_json(calibration.fit.chart)},
          {"channels", colours_json(calibration)},
          {"frames", frames},
          {"warnings", warnings_json(station.warnings)},
          {"seconds", calibration.fit.seconds}};
}

std::string summary(const Calibration& calibration, const std::string& output) {
  const profile::Station& station = calibration.profile.stations.front();
  const lens::Lens& lens = station.lens;
  std::string text;
  int num_not_chosen = 0;
  for (const profile::FootageItem& item : calibration.profile.provenance.footage) {
    if (item.reason.starts_with("not chosen")) {
      ++num_not_chosen;
      continue;
    }
    text += fmt::format("  {:<24} {:>5} corners  {}{}\n",
                        item.name,
                        item.points,
                        item.rms_px ? fmt::format("{:.3f} px", *item.rms_px) : "-",
                        item.used ? std::string() : fmt::format("  not used: {}", item.reason));
  }
  if (num_not_chosen > 0) {
    text +=
        fmt::format("  {} more frames with a chart were not chosen; the profile says why, each\n",
                    num_not_chosen);
  }
  text += trials_text(calibration.trials);
  text += fmt::format("{}: rms {:.4f} px over {} corners in {} frames",
                      lens::model_name(lens.model),
                      calibration.fit.rms_px,
                      calibration.fit.num_points,
                      calibration.fit.num_frames);
  if (calibration.fit.held_out_rms_px) {
    text += fmt::format(", held out {:.4f} px", *calibration.fit.held_out_rms_px);
  }
  text += fmt::format("\nfocal length {:.3f} x {:.3f} px (sigma {:.3f} x {:.3f})",
                      lens.focal_px.x(),
                      lens.focal_px.y(),
                      calibration.fit.sigma[0],
                      calibration.fit.sigma[1]);
  if (const auto focal_mm = lens::focal_mm(lens)) {
    text += fmt::format(" = {:.3f} x {:.3f} mm", focal_mm->x(), focal_mm->y());
  }
  if (const auto& alone = calibration.fit.focal_from_distance_px) {
    text += fmt::format(
        "; {:.3f} px (sigma {:.3f}) from the chart distance alone", alone->value, alone->sigma);
  }
  text += "\n" + chart_text(calibration.fit.chart) + colours_text(calibration);
  text += fmt::format("-> {}\n", output);
  return text;
}

/// A fit that fails because it cannot tell the focal length: with the options that give it.
int report_fit(Error error, const Options& options) {
  if (error.code == ErrorCode::kUndetermined && !options.fix_focal) {
    error.message += " (--focal, --film-back and --fix-focal; or --chart-distance)";
  }
  return report_failure(error);
}

/// What is done with a calibration; the exit status.
using Finish = std::function<int(const Calibration&)>;

int finish(const Calibration& calibration, const Options& options, const CommonOptions& common) {
  if (is_interrupted(&interrupt_flag())) return report_failure(interruption().error);
  if (Result<void> written =
          profile::write_profile(options.output, calibration.profile, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common, summary(calibration, options.output));
  report_warnings(calibration.profile.stations.front().warnings, common);
  if (Result<void> written = write_json(common, result_json(calibration)); !written) {
    return report_failure(written.error());
  }
  return kDone;
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
  if (Result<void> free =
          check_outputs({options.output, options.observations}, paths_of(*frames), common);
      !free) {
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
  if (!options.observations.empty()) {
    const Result<footage::Observations> observations = observations_of(*detected, *chart);
    if (!observations) return report_failure(observations.error());
    if (Result<void> written = footage::write_observations(
            options.observations, *observations, common.overwrite_policy());
        !written) {
      return report_failure(written.error());
    }
  }
  const int status = finished(*calibration);
  if (status != kDone) return status;
  if (report_other_sizes(*detected, calibration->fit.lens.plate_size)) partly = true;
  for (const DetectedFrame& frame : *detected) {
    if (frame.error) partly = true;
  }
  return partly ? kPartly : kDone;
}

int calibrate_one(const Options& options, const CommonOptions& common, const Finish& finished) {
  const Result<CalibrateOptions> calibrate = calibrate_options(options, common);
  if (!calibrate) return report_usage(calibrate.error());
  if (Result<void> free =
          check_outputs({options.output, options.observations}, options.frames.arguments, common);
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
  if (!options.observations.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--observations writes what was detected, and here nothing is: the input "
                         "is observations already"});
  }
  const Result<Calibration> calibration =
      trueplate::calibrate(std::filesystem::path(options.frames.arguments.front()), *calibrate);
  if (!calibration) return report_fit(calibration.error(), options);
  return finished(*calibration);
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
    const int status = calibrate_one(one, common, [&](const Calibration& calibration) {
      print(common, summary(calibration, "a station"));
      report_warnings(calibration.profile.stations.front().warnings, common);
      profiles.push_back({text, calibration.profile});
      return static_cast<int>(kDone);
    });
    if (status == kPartly) partly = true;
    if (status != kDone && status != kPartly) return status;
  }
  const int status = write_gathered(std::move(profiles), *pooling, options.output, common);
  return status == kDone && partly ? kPartly : status;
}

int run(const Options& options, const CommonOptions& common) {
  if (!options.clips.empty()) return calibrate_clips(options, common);
  if (options.frames.arguments.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "FRAMES is missing: chart frames, observations, or --clip for each "
                         "station of a zoom"});
  }
  return calibrate_one(options, common, [&](const Calibration& calibration) {
    return finish(calibration, options, common);
  });
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
                 "FRAMES,focal=35mm,focus=2m[,t-stop=4][,entrance-pupil=110mm]")
      ->type_name("CLIP")
      ->allow_extra_args(false);
  add_pool_option(app, options->pool);
  add_chart(app, options->chart);
  add_draw(app, options->draw);
  app.add_option("-o,--output", options->output, "the lens profile")->required()->type_name("FILE");
  app.add_option("--model", options->model, "lens model: " + model_words())
      ->capture_default_str()
      ->type_name("NAME");
  app.add_option("--chart-shape",
                 options->chart_shape,
                 "what is fitted of the print: auto, flat, stretched, bent, misprinted")
      ->capture_default_str()
      ->type_name("WORD");
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
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli
