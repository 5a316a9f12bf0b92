#include "calib/calibrate.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <map>
#include <mutex>

#include "calib/base/parallel.h"
#include "calib/base/text.h"
#include "calib/base/timestamp.h"
#include "calib/footage/field_motion.h"
#include "calib/footage/file_hash.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_stream.h"
#include "calib/footage/repeats.h"
#include "calib/target/choice.h"
#include "calib/target/detect.h"

namespace trueplate {
namespace {

/// Key of the comments that keep the frames' content hashes with their corners: `HASH NAME`.
constexpr std::string_view kHashKey = "sha256";
constexpr std::size_t kHashLength = 64;
/// The comment of observations whose frames all count from a point that the print marks.
constexpr std::string_view kOriginKey = "origin";
constexpr std::string_view kMarkedOrigin = "marked";

bool is_set(const std::atomic<bool>* flag) { return flag != nullptr && flag->load(); }

/// Content hashes of the files, each movie's only once.
class Hashes {
 public:
  Result<std::string> of(const footage::FrameRef& ref) {
    if (!ref.movie_frame) return footage::sha256_of_file(ref.path);
    const std::lock_guard lock(mutex_);
    const auto known = of_movie_.find(ref.path.string());
    if (known != of_movie_.end()) return known->second;
    return of_movie_.emplace(ref.path.string(), footage::sha256_of_file(ref.path)).first->second;
  }

 private:
  std::mutex mutex_;
  std::map<std::string, Result<std::string>> of_movie_;
};

/// Judges the fields of a frame whose file may say that it is interlaced (warning `interlaced`), by
/// the pixels that its corners span.
void judge_fields(ImageView<const float> luma,
                  const std::vector<target::Corner>& corners_luma_px,
                  DetectedFrame& frame) {
  Point2d low(luma.width, luma.height);
  Point2d high(0.0, 0.0);
  for (const target::Corner& corner : corners_luma_px) {
    low = low.cwiseMin(corner.p_plate_px);
    high = high.cwiseMax(corner.p_plate_px);
  }
  const auto whole = [](double value, int limit) {
    return std::clamp(static_cast<int>(value), 0, limit);
  };
  const int x = whole(low.x(), luma.width);
  const int y = whole(low.y(), luma.height);
  const auto motion = footage::field_motion(luma,
                                            {.x = x,
                                             .y = y,
                                             .width = whole(high.x(), luma.width) - x,
                                             .height = whole(high.y(), luma.height) - y});
  if (motion) frame.field_motion_px = motion->typical_px;
  const auto is_file_word = [](const Warning& warning) { return warning.code == "interlaced"; };
  if (motion && motion->typical_px >= footage::kInterlacedPx) {
    frame.fields = target::Fields::kTwo;
    std::erase_if(frame.warnings, is_file_word);
    frame.warnings.push_back(
        {"field-motion",
         fmt::format("even and odd rows are of two moments, {:.1f} px apart: the frame is "
                     "interlaced, and corners lie between two places; shoot progressive, or "
                     "separate the fields",
                     motion->typical_px),
         motion->typical_px});
  } else if (std::any_of(frame.warnings.begin(), frame.warnings.end(), is_file_word)) {
    frame.fields = motion ? target::Fields::kStill : target::Fields::kTwo;
  }
}

/// What all frames of a call share.
struct Shared {
  Hashes hashes;
  footage::RepeatFinder repeats;
};

/// What detection needs of a frame, and where it was read from.
struct ReadFrame {
  std::size_t index = 0;
  const footage::FrameRef& ref;
  const Result<footage::Frame>& frame;
};

DetectedFrame detect_frame(const ReadFrame& read,
                           const DetectFramesOptions& options,
                           Shared& shared) {
  const auto& [index, ref, frame] = read;
  DetectedFrame detected;
  detected.name = ref.name;
  detected.number = ref.number;
  FrameSight sight{.index = index};
  const auto failed = [&](const Error& error, const std::string& prefix = "") {
    if (sight.luma == nullptr) shared.repeats.skip(read.index);
    detected.error = Error{error.code, prefix + error.message};
    sight.error = &error;
    if (options.observer) options.observer(sight);
    return detected;
  };
  if (!frame) return failed(frame.error());
  detected.plate_size = frame->windows.display.size();
  detected.pixel_aspect = frame->pixel_aspect;
  detected.warnings = frame->warnings;
  const Result<std::string> sha256 = shared.hashes.of(ref);
  if (!sha256) return failed(sha256.error());
  detected.sha256 = *sha256;
  const Result<footage::Luma> luma = footage::plane_of(*frame, options.plane, 1);
  if (!luma) return failed(luma.error(), ref.name + ": ");
  sight.luma = &*luma;
  shared.repeats.add(index, luma->pixels.view());
  Result<target::Detection> detection = target::detect_chart(luma->pixels.view(), options.chart);
  if (!detection) return failed(detection.error(), ref.name + ": ");
  judge_fields(luma->pixels.view(), detection->corners, detected);
  sight.detection = &*detection;
  if (options.observer) options.observer(sight);
  detected.corners = std::move(detection->corners);
  detected.origin = detection->origin;
  detected.blur_px = detection->blur_px;
  for (Warning& warning : detection->warnings) detected.warnings.push_back(std::move(warning));
  // Detectors count in whole pitches of one length.
  const Point2d pitch_mm = options.chart.pitch_xy_mm();
  const double stretch_y = pitch_mm.y() / pitch_mm.x();
  for (target::Corner& corner : detected.corners) {
    corner.p_plate_px += luma->offset_px;
    corner.p_chart_mm.y() *= stretch_y;
  }
  return detected;
}

/// The most frequent value; the smallest of several equally frequent.
double most_frequent(const std::vector<double>& values, double fallback) {
  std::map<double, int> counts;
  for (const double value : values) ++counts[value];
  double best = fallback;
  int best_count = 0;
  for (const auto& [value, count] : counts) {
    if (count > best_count) {
      best = value;
      best_count = count;
    }
  }
  return best;
}

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
  };
  station.warnings = fit.warnings;
  return station;
}

/// The pixel aspect of most frames with a chart.
double pixel_aspect_of(const std::vector<DetectedFrame>& frames) {
  std::vector<double> aspects;
  for (const DetectedFrame& frame : frames) {
    if (!frame.corners.empty()) aspects.push_back(frame.pixel_aspect);
  }
  return most_frequent(aspects, 1.0);
}

/// The pixel aspect that observations_of() notes; 1 where there is none.
double pixel_aspect_from_comments(const std::vector<CsvComment>& comments) {
  for (const CsvComment& comment : comments) {
    const std::optional<double> value = parse_number(comment.value);
    if (comment.key == "pixel_aspect" && value && *value > 0.0) return *value;
  }
  return 1.0;
}

/// Whether all frames with a chart count from a point that the print marks.
bool all_marked(const std::vector<DetectedFrame>& frames) {
  return std::all_of(frames.begin(), frames.end(), [](const DetectedFrame& frame) {
    return frame.corners.empty() || frame.origin == target::Origin::kMarked;
  });
}

fit::ChartIdentity identity_from_comments(const std::vector<CsvComment>& comments) {
  const bool marked = std::any_of(comments.begin(), comments.end(), [](const CsvComment& comment) {
    return comment.key == kOriginKey && comment.value == kMarkedOrigin;
  });
  return marked ? fit::ChartIdentity::kCommon : fit::ChartIdentity::kUnknown;
}

struct Input {
  std::vector<target::View> views;
  fit::ChartIdentity identity = fit::ChartIdentity::kUnknown;
  double pixel_aspect = 1.0;
};

/// The fit with the model asked for, or with the one chosen, and then its `trials`.
Result<fit::LensFit> fitted_to(const std::vector<target::View>& views,
                               const fit::FitOptions& options,
                               bool choose_model,
                               std::vector<fit::ModelTrial>& trials) {
  if (!choose_model) return fit::fit_lens(views, options);
  Result<fit::ModelChoice> choice = fit::fit_best_model(views, options);
  if (!choice) return fail(choice.error());
  trials = std::move(choice->trials);
  return std::move(choice->fit);
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
  Result<fit::LensFit> fitted = fitted_to(input.views, fit_options, options.choose_model, trials);
  if (!fitted) return fail(fitted.error());
  fitted->lens.pixel_aspect = pixel_aspect;
  fitted->lens.squeeze = options.squeeze;
  fitted->lens.film_back = options.film_back;

  Calibration calibration;
  calibration.profile.labels = options.labels;
  calibration.profile.stations.push_back(station_of(*fitted, options));
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

bool is_sha256(std::string_view text) {
  return text.size() == kHashLength &&
         text.find_first_not_of("0123456789abcdef") == std::string_view::npos;
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

/// Whether a frame counts as an observation of its own.
bool is_observed(const DetectedFrame& frame) {
  return !frame.corners.empty() && frame.repeats.empty();
}

target::View view_of(const DetectedFrame& frame) {
  return {frame.name, frame.plate_size, frame.corners};
}

bool is_fitted(const DetectedFrame& frame) {
  return !frame.corners.empty() && frame.not_chosen.empty();
}

/// An error when no frame has a chart.
Result<void> any_chart(const std::vector<DetectedFrame>& frames) {
  if (std::any_of(frames.begin(), frames.end(), [](const DetectedFrame& frame) {
        return !frame.corners.empty();
      })) {
    return {};
  }
  const Error first = frames.empty() ? Error{} : *frames.front().error;
  return fail(
      ErrorCode::kNoChart,
      fmt::format("no chart in any of {} frames; the first: {}", frames.size(), first.message));
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

/// The chart as observations_of() notes it; nullopt when a comment is absent or malformed, since
/// files from elsewhere may use the same words differently.
std::optional<profile::ChartUsed> chart_from_comments(const std::vector<CsvComment>& comments) {
  profile::ChartUsed chart;
  for (const CsvComment& comment : comments) {
    if (comment.key == "chart") chart.kind = comment.value;
    if (comment.key == "pitch") {
      if (const Result<double> pitch = parse_length_mm(comment.value)) chart.pitch_mm = *pitch;
    }
    if (comment.key == "grid") {
      if (const auto grid = parse_size(comment.value)) {
        chart.columns = grid->first;
        chart.rows = grid->second;
      }
    }
  }
  if (chart.kind.empty()) return std::nullopt;
  return chart;
}

}  // namespace

Result<std::vector<DetectedFrame>> detect_frames(const footage::FrameSet& frames,
                                                 const DetectFramesOptions& options) {
  std::vector<DetectedFrame> detected(frames.frames.size());
  std::mutex progress_mutex;
  int done = 0;
  const int total = static_cast<int>(detected.size());
  footage::FrameStream stream(frames.frames);
  Shared shared{.hashes = {}, .repeats = footage::RepeatFinder(detected.size())};
  const int threads = std::min(resolve_threads(options.threads), total);
  parallel_rows(threads, threads, [&](int, int) {
    // One thread a frame: the frames run side by side.
    while (!is_set(options.interrupt)) {
      const auto item = stream.next({.threads = 1});
      if (!item) return;
      detected[item->index] = detect_frame(
          {.index = item->index, .ref = frames.frames[item->index], .frame = item->frame},
          options,
          shared);
      const std::lock_guard lock(progress_mutex);
      ++done;
      if (options.progress) options.progress(done, total, detected[item->index].name);
    }
  });
  if (is_set(options.interrupt)) return fail(ErrorCode::kInterrupted, "interrupted");
  const auto repeats = shared.repeats.repeats();
  for (std::size_t i = 0; i < repeats.size(); ++i) {
    if (repeats[i]) detected[i].repeats = detected[*repeats[i]].name;
  }
  for (const footage::LeftOut& left_out : frames.left_out) {
    DetectedFrame frame;
    frame.name = left_out.frame.name;
    frame.error = left_out.reason;
    detected.push_back(std::move(frame));
  }
  return detected;
}

void choose_frames(std::vector<DetectedFrame>& frames, int most) {
  for (DetectedFrame& frame : frames) frame.not_chosen.clear();
  if (most == 0) return;
  std::vector<target::Candidate> candidates;
  candidates.reserve(frames.size());
  for (const DetectedFrame& frame : frames) {
    candidates.push_back(
        {view_of(frame), frame.number, frame.blur_px, frame.repeats, frame.fields});
  }
  const std::vector<std::string> unsound = target::unsound_views(candidates);
  int count = 0;
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (frames[i].corners.empty()) continue;
    frames[i].not_chosen = unsound[i];
    if (unsound[i].empty()) {
      ++count;
    } else {
      candidates[i].view.corners.clear();
    }
  }
  if (count <= most) return;
  const std::vector<target::ChoiceResult> choice =
      target::choose_views(candidates, {.most_views = most});
  for (std::size_t i = 0; i < frames.size(); ++i) {
    if (is_fitted(frames[i]) && !choice[i].chosen) frames[i].not_chosen = choice[i].reason;
  }
}

ImageSize common_plate_size(const std::vector<DetectedFrame>& frames) {
  std::map<std::tuple<long, int, int>, int> counts;  // by area, width and height
  for (const DetectedFrame& frame : frames) {
    const ImageSize size = frame.plate_size;
    if (is_observed(frame))
      ++counts[{static_cast<long>(size.width) * size.height, size.width, size.height}];
  }
  ImageSize common;
  int most = 0;
  for (const auto& [size, count] : counts) {
    if (count < most) continue;
    most = count;
    common = {std::get<1>(size), std::get<2>(size)};
  }
  return common;
}

Result<footage::Observations> observations_of(const std::vector<DetectedFrame>& frames,
                                              const target::Chart& chart) {
  if (const Result<void> any = any_chart(frames); !any) return fail(any.error());
  const ImageSize plate_size = common_plate_size(frames);
  const auto is_taken = [&](const DetectedFrame& frame) {
    return is_observed(frame) && frame.plate_size == plate_size;
  };
  footage::Observations observations;
  for (const DetectedFrame& frame : frames) {
    if (is_taken(frame)) observations.views.push_back(view_of(frame));
  }
  observations.comments = {{"chart", std::string(target::chart_kind_name(chart.kind))},
                           {"pitch", fmt::format("{}mm", to_lossless_text(chart.pitch_mm))},
                           {"pixel_aspect", to_lossless_text(pixel_aspect_of(frames))}};
  if (chart.grid_known())
    observations.comments.push_back({"grid", fmt::format("{}x{}", chart.columns, chart.rows)});
  if (chart.pitch_y_mm > 0.0 && chart.pitch_y_mm != chart.pitch_mm) {
    observations.comments.push_back(
        {"pitch_y", fmt::format("{}mm", to_lossless_text(chart.pitch_y_mm))});
  }
  if (all_marked(frames)) {
    observations.comments.push_back({std::string(kOriginKey), std::string(kMarkedOrigin)});
  }
  for (const DetectedFrame& frame : frames) {
    if (!is_taken(frame) || frame.sha256.empty()) continue;
    observations.comments.push_back({std::string(kHashKey), frame.sha256 + " " + frame.name});
  }
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
  const Result<std::string> sha256 = footage::sha256_of_file(observations_file);
  if (!sha256) return fail(sha256.error());
  Result<Calibration> calibration =
      calibrate_views({.views = observations->views,
                       .identity = identity_from_comments(observations->comments),
                       .pixel_aspect = pixel_aspect_from_comments(observations->comments)},
                      options);
  if (!calibration) return fail(calibration.error());
  calibration->profile.chart = chart_from_comments(observations->comments);
  profile::Provenance& provenance = calibration->profile.provenance;
  provenance.method += fmt::format(
      "; corners read from {} (SHA-256 {})", observations_file.filename().string(), *sha256);
  std::map<std::string, std::string> hashes;
  for (const CsvComment& comment : observations->comments) {
    const std::string_view value = comment.value;
    if (comment.key != kHashKey || value.size() < kHashLength + 2) continue;
    const std::string_view hash = value.substr(0, kHashLength);
    if (is_sha256(hash)) hashes.emplace(value.substr(kHashLength + 1), hash);
  }
  for (const fit::FrameFit& frame : calibration->fit.frames) {
    profile::FootageItem item = footage_item(frame);
    if (const auto hash = hashes.find(frame.frame); hash != hashes.end())
      item.sha256 = hash->second;
    provenance.footage.push_back(std::move(item));
  }
  return calibration;
}

}  // namespace trueplate
