#include "calib/calibrate.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <iterator>
#include <map>

#include "calib/base/sha256.h"
#include "calib/base/timestamp.h"
#include "calib/calibrate/detail/asked_focal.h"
#include "calib/calibrate/detail/detected_frames.h"
#include "calib/calibrate/detail/given_sizes.h"
#include "calib/calibrate/detail/observation_notes.h"
#include "calib/lens/film_back_aspect.h"
#include "calib/lens/model.h"
#include "calib/profile/focal_label.h"

namespace trueplate {
namespace {

using detail::all_marked;
using detail::any_chart;
using detail::is_fitted;
using detail::is_observed;
using detail::pixel_aspect_of;
using detail::view_of;

std::optional<profile::Measured> measured(const std::optional<fit::Measured>& m) {
  if (!m) return std::nullopt;
  return profile::Measured{m->value, m->sigma};
}

std::optional<profile::ChartAsFound> chart_as_found(const fit::ChartFit& chart) {
  if (chart.as_described()) return std::nullopt;
  return profile::ChartAsFound{
      .pitch_ratio = measured(chart.pitch_ratio),
      .bend_degree = chart.bend_mm ? std::optional(chart.bend_degree) : std::nullopt,
      .bend_mm = measured(chart.bend_mm),
      .print_error_mm = measured(chart.print_error_mm)};
}

profile::Station station_of(const fit::LensFit& fit, const CalibrateOptions& options) {
  profile::Station station;
  station.nominal_focal_mm = options.nominal_focal_mm;
  station.focus_m = options.focus_m;
  station.t_stop = options.t_stop;
  station.entrance_pupil_mm = options.entrance_pupil_mm;
  station.lens = fit.lens;
  station.uncertainty = profile::Uncertainty{fit.parameter_names, fit.covariance};
  station.chart_as_found = chart_as_found(fit.chart);
  station.quality = profile::Quality{
      .rms_px = fit.rms_px,
      .held_out_rms_px = fit.held_out_rms_px,
      .max_px = fit.max_residual_px,
      .p95_px = fit.p95_residual_px,
      .num_frames = static_cast<int>(fit.frames.size()),
      .num_frames_used = fit.num_frames,
      .num_points = fit.num_points,
      .noise_sigma_px = fit.noise_sigma_px,
      .map_sigma_rms_px = fit.map_sigma_rms_px,
      .map_sigma_max_px = fit.map_sigma_max_px,
      .map_sigma_after = profile::MapSigmaAfter::kRotationAndFocal,
      .map_sigma_share = fit.map_sigma_share,
      .map_misfit_rms_px = fit.misfit ? std::optional(fit.misfit->rms_px) : std::nullopt,
  };
  station.warnings = fit.warnings;
  return station;
}

struct Input {
  std::vector<target::View> views;
  fit::ChartIdentity identity = fit::ChartIdentity::kUnknown;
  double pixel_aspect = 1.0;
};

/// The fit with the model asked for, or with the one chosen, and then its `trials`.
Result<fit::LensFit> fitted_to(const std::vector<target::View>& views,
                               const fit::FitOptions& options,
                               const CalibrateOptions& calibrate_options,
                               std::vector<fit::ModelTrial>& trials) {
  if (!calibrate_options.choose_model) return fit::fit_lens(views, options);
  Result<fit::ModelChoice> choice =
      fit::fit_best_model(views, options, calibrate_options.model_progress);
  if (!choice) return fail(choice.error());
  trials = std::move(choice->trials);
  return std::move(choice->fit);
}

/// What is wrong with the sizes that were given, before all other warnings.
void warn_of_sizes(const std::vector<target::View>& views,
                   const CalibrateOptions& options,
                   fit::LensFit& fit) {
  std::optional<Warning> aspect;
  if (options.film_back) {
    aspect = lens::film_back_aspect(
        *options.film_back, fit.lens.plate_size, fit.lens.pixel_aspect, fit.lens.squeeze);
  }
  for (std::optional<Warning>& warning : std::array{std::move(aspect), detail::chart_size(views)}) {
    if (warning) fit.warnings.insert(fit.warnings.begin(), *std::move(warning));
  }
}

Unexpected folding(const fit::LensFit& fit) {
  return fail(
      ErrorCode::kNotConverged,
      fmt::format("the {} lens that fits these corners best ({:.3f} px) folds back inside "
                  "the frame and has no map in {:.1f} % of it: add frames with corners near "
                  "the edges, take another model (--model auto looks for one), or accept "
                  "the lens with --accept-fold",
                  lens::model_name(fit.lens.model),
                  fit.rms_px,
                  100.0 * (1.0 - fit.fold->invertible_share)));
}

Result<Calibration> calibrate_views(const Input& input, const CalibrateOptions& options) {
  fit::FitOptions fit_options = options.fit;
  // An anamorphic plate as recorded is squeezed; unless the files say otherwise their pixels are
  // as wide as the squeeze.
  double pixel_aspect = options.pixel_aspect.value_or(input.pixel_aspect);
  if (!options.pixel_aspect && pixel_aspect == 1.0) pixel_aspect = options.squeeze;
  fit_options.focal_ratio = 1.0 / pixel_aspect;
  fit_options.chart_identity = input.identity;

  if (options.nominal_focal_mm) {
    if (!options.film_back) {
      return fail(ErrorCode::kInvalidInput,
                  "a nominal focal length in mm means nothing without the film back");
    }
    if (!input.views.empty()) {
      const ImageSize size = input.views.front().plate_size;
      // The number on an anamorphic barrel is that of the unsqueezed axis.
      const double focal_y = *options.nominal_focal_mm * size.height / options.film_back->height_mm;
      const double focal_x =
          *options.nominal_focal_mm * size.width / options.film_back->width_mm / options.squeeze;
      fit_options.focal_px = Point2d(focal_x, focal_y);
    }
  } else if (fit_options.focal_mode == fit::FocalMode::kFixed) {
    return fail(ErrorCode::kInvalidInput,
                "there is no focal length to keep fixed: the nominal one is not given");
  }

  std::vector<fit::ModelTrial> trials;
  Result<fit::LensFit> fitted = fitted_to(input.views, fit_options, options, trials);
  if (fitted && fitted->fold && !fitted->fold->held && !options.accept_fold) {
    fitted = folding(*fitted);
  }
  if (fit_options.focal_mode == fit::FocalMode::kFixed) {
    fitted = detail::held_against_frames(std::move(fitted), input.views, fit_options, options);
  }
  if (!fitted) return fail(fitted.error());
  fitted->lens.pixel_aspect = pixel_aspect;
  fitted->lens.squeeze = options.squeeze;
  fitted->lens.film_back = options.film_back;
  warn_of_sizes(input.views, options, *fitted);

  Calibration calibration;
  calibration.profile.labels = options.labels;
  profile::Station station = station_of(*fitted, options);
  if (const std::optional<Warning> far = profile::focal_label_far(station)) {
    fitted->warnings.push_back(*far);
    station.warnings.push_back(*far);
  }
  calibration.profile.stations.push_back(std::move(station));
  calibration.profile.provenance = {
      .created = utc_timestamp(std::chrono::system_clock::now()),
      .program = "trueplate",
      .program_version = options.program_version,
      .method = fit_options.rejection == fit::Rejection::kRobust
                    ? "least squares on chart corners after a robust fit and rejection"
                    : "least squares on all chart corners",
      .footage = {},
  };
  if (!trials.empty()) {
    calibration.profile.provenance.method +=
        fmt::format("; the lens model chosen among {} by frames held out", trials.size());
  }
  calibration.fit = std::move(*fitted);
  calibration.trials = std::move(trials);
  return calibration;
}

profile::FootageItem footage_item(const fit::FrameFit& frame) {
  return {.name = frame.frame,
          .sha256 = "",
          .points = frame.num_points,
          .rms_px = frame.has_pose ? std::optional(frame.rms_px) : std::nullopt,
          .used = frame.used,
          .reason = frame.reason};
}

/// A warning when the frames' names, less their numbers, fall into several groups: a folder may
/// hold the footage of two lenses.
std::optional<Warning> several_sequences(const std::vector<DetectedFrame>& frames) {
  std::map<std::string, int> counts;
  for (const DetectedFrame& frame : frames) {
    if (frame.corners.empty() || !frame.number) continue;
    std::string name = frame.name;
    // The number is the last run of digits before the extension, or what follows a movie's name.
    const std::size_t dot = name.find('#') == std::string::npos ? name.rfind('.') : name.size();
    const std::size_t last = name.find_last_of("0123456789", dot);
    const std::size_t before = name.find_last_not_of("0123456789", last);
    if (last != std::string::npos) {
      const std::size_t first = before == std::string::npos ? 0 : before + 1;
      name = name.substr(0, first) + "#" + name.substr(last + 1);
    }
    ++counts[name];
  }
  std::erase_if(counts, [](const auto& entry) { return entry.second < 3; });
  if (counts.size() < 2) return std::nullopt;
  std::string names;
  for (const auto& [name, count] : counts) {
    if (names.size() > 100) break;
    names += fmt::format("{}{} ({} frames)", names.empty() ? "" : ", ", name, count);
  }
  return Warning{"several-sequences",
                 fmt::format("the frames are of {} sequences, fitted as one lens: {}; fit each by "
                             "itself unless lens, focus and camera are the same",
                             counts.size(),
                             names),
                 static_cast<double>(counts.size())};
}

/// A warning when frames of two moments are fitted.
std::optional<Warning> interlaced_frames(const std::vector<DetectedFrame>& frames) {
  int fitted = 0;
  int interlaced = 0;
  double largest_px = 0.0;
  for (const DetectedFrame& frame : frames) {
    if (!is_fitted(frame)) continue;
    ++fitted;
    if (frame.fields != target::Fields::kTwo) continue;
    ++interlaced;
    largest_px = std::max(largest_px, frame.field_motion_px.value_or(0.0));
  }
  if (interlaced == 0) return std::nullopt;
  return Warning{"interlaced-frames",
                 fmt::format("{} of the {} frames fitted are interlaced, their fields up to {:.1f} "
                             "px apart: corners lie between two places; shoot progressive, or "
                             "separate the fields",
                             interlaced,
                             fitted,
                             largest_px),
                 static_cast<double>(interlaced)};
}

}  // namespace

Result<footage::Observations> observations_of(const std::vector<DetectedFrame>& frames,
                                              const target::Chart& chart) {
  if (const Result<void> any = any_chart(frames); !any) return fail(any.error());
  const ImageSize plate_size = common_plate_size(frames);
  const auto is_taken = [&](const DetectedFrame& frame) {
    return is_observed(frame) && frame.plate_size == plate_size;
  };
  std::vector<DetectedFrame> taken;
  std::copy_if(frames.begin(), frames.end(), std::back_inserter(taken), is_taken);
  footage::Observations observations;
  for (const DetectedFrame& frame : taken) observations.views.push_back(view_of(frame));
  observations.comments = detail::notes_of(taken, chart);
  return observations;
}

Result<Calibration> calibrate(const std::vector<DetectedFrame>& frames,
                              const target::Chart& chart,
                              const CalibrateOptions& options) {
  if (const Result<void> any = any_chart(frames); !any) return fail(any.error());
  Input input{.views = {},
              .identity = all_marked(frames)   ? fit::ChartIdentity::kCommon
                          : chart.grid_known() ? fit::ChartIdentity::kUpToTurn
                                               : fit::ChartIdentity::kUnknown,
              .pixel_aspect = pixel_aspect_of(frames)};
  for (const DetectedFrame& frame : frames) {
    if (is_fitted(frame)) input.views.push_back(view_of(frame));
  }
  Result<Calibration> calibration = calibrate_views(input, options);
  if (!calibration) return fail(calibration.error());
  for (std::optional<Warning>& warning :
       std::array{several_sequences(frames), interlaced_frames(frames)}) {
    if (!warning) continue;
    calibration->profile.stations.front().warnings.push_back(*warning);
    calibration->fit.warnings.push_back(*std::move(warning));
  }

  calibration->profile.chart =
      profile::ChartUsed{.kind = std::string(target::chart_kind_name(chart.kind)),
                         .pitch_mm = chart.pitch_mm,
                         .columns = std::nullopt,
                         .rows = std::nullopt};
  if (chart.grid_known()) {
    calibration->profile.chart->columns = chart.columns;
    calibration->profile.chart->rows = chart.rows;
  }
  std::vector<profile::FootageItem>& footage = calibration->profile.provenance.footage;
  std::size_t fitted = 0;
  for (const DetectedFrame& frame : frames) {
    profile::FootageItem item;
    if (!frame.not_chosen.empty()) {
      item = {.name = frame.name,
              .sha256 = "",
              .points = static_cast<int>(frame.corners.size()),
              .rms_px = std::nullopt,
              .used = false,
              .reason = fmt::format("not chosen: {}", frame.not_chosen)};
    } else if (frame.corners.empty()) {
      item = {.name = frame.name,
              .sha256 = "",
              .points = 0,
              .rms_px = std::nullopt,
              .used = false,
              .reason = frame.error ? frame.error->message : "no corners"};
    } else {
      item = footage_item(calibration->fit.frames[fitted++]);
    }
    item.sha256 = frame.sha256;
    footage.push_back(std::move(item));
  }
  return calibration;
}

Result<Calibration> calibrate(const std::filesystem::path& observations_file,
                              const CalibrateOptions& options) {
  const Result<footage::Observations> observations = footage::read_observations(observations_file);
  if (!observations) return fail(observations.error());
  const Result<std::string> sha256 = sha256_of_file(observations_file);
  if (!sha256) return fail(sha256.error());
  Result<Calibration> calibration =
      calibrate_views({.views = observations->views,
                       .identity = detail::identity_noted(observations->comments),
                       .pixel_aspect = detail::pixel_aspect_noted(observations->comments)},
                      options);
  if (!calibration) return fail(calibration.error());
  calibration->profile.chart = detail::chart_noted(observations->comments);
  profile::Provenance& provenance = calibration->profile.provenance;
  provenance.method += fmt::format(
      "; corners read from {} (SHA-256 {})", observations_file.filename().string(), *sha256);
  const std::map<std::string, std::string> hashes = detail::hashes_noted(observations->comments);
  for (const fit::FrameFit& frame : calibration->fit.frames) {
    profile::FootageItem item = footage_item(frame);
    if (const auto hash = hashes.find(frame.frame); hash != hashes.end())
      item.sha256 = hash->second;
    provenance.footage.push_back(std::move(item));
  }
  return calibration;
}

}  // namespace trueplate
