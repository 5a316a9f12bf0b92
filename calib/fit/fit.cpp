#include "calib/fit/fit.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <chrono>
#include <cmath>
#include <limits>
#include <span>
#include <utility>

#include "calib/base/interrupt.h"
#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/adjust_chart.h"
#include "calib/fit/detail/assumed_focal.h"
#include "calib/fit/detail/attempt.h"
#include "calib/fit/detail/chart_distance.h"
#include "calib/fit/detail/chart_identity.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/doubts.h"
#include "calib/fit/detail/fewer_corners.h"
#include "calib/fit/detail/first_look.h"
#include "calib/fit/detail/frame_focal.h"
#include "calib/fit/detail/frames.h"
#include "calib/fit/detail/held_focal.h"
#include "calib/fit/detail/held_out.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/map_misfit.h"
#include "calib/fit/detail/map_uncertainty.h"
#include "calib/fit/detail/no_fold.h"
#include "calib/fit/detail/residual_pattern.h"
#include "calib/fit/detail/screen.h"
#include "calib/fit/detail/stiffness_choice.h"
#include "calib/fit/detail/trial_starts.h"

namespace trueplate::fit {
namespace {

using detail::Attempt;
using detail::ChartModel;
using detail::Frame;
using detail::Frames;
using detail::ModelKernel;
using detail::NumberedChart;
using detail::Screened;
using detail::ScreenedView;

// Focal length relative to the plate's longer side beyond which it has run away.
constexpr double kCollapsed = 0.05;
constexpr double kRunAway = 200.0;
// Relative standard deviation of the focal length beyond which there is no result. Where the chart
// is nearly square-on the limit is strict: the error is then far from Gaussian (simulated square-on
// sets at 0.1 px noise land at 6 to 40 times the true focal length and claim 10 to 40 %).
constexpr double kUndeterminedFocal = 0.3;
constexpr double kUndeterminedFocalSquareOn = 0.03;
constexpr double kSquareOnDeg = 10.0;

// Two views are the same view when the chart turned less than this and moved less than this share
// of its distance.
constexpr double kSameTurnDeg = 0.5;
constexpr double kSameMove = 0.01;

Result<const ModelKernel*> check(const FitOptions& options) {
  const auto bad = [](std::string message) {
    return fail(ErrorCode::kInvalidInput, std::move(message));
  };
  const ModelKernel* kernel = detail::find_kernel(options.model);
  if (kernel == nullptr) {
    std::string known;
    for (const lens::ModelInfo& info : lens::model_table()) {
      known += fmt::format("{}{}", known.empty() ? "" : ", ", info.name);
    }
    return bad(fmt::format("unknown lens model '{}'; known: {}", options.model, known));
  }
  const auto positive = [](double value) { return std::isfinite(value) && value > 0.0; };
  if (options.focal_px && !(positive(options.focal_px->x()) && positive(options.focal_px->y()))) {
    return bad(fmt::format("focal length {} x {} px, wanted numbers above 0",
                           options.focal_px->x(),
                           options.focal_px->y()));
  }
  if (options.focal_mode != FocalMode::kFree && !options.focal_px) {
    return bad("a fixed focal length was asked for, but none given");
  }
  if (const auto& distance = options.chart_distance_mm) {
    if (!positive(distance->value) || !positive(distance->sigma)) {
      return bad(fmt::format(
          "chart distance {} +- {} mm, wanted numbers above 0", distance->value, distance->sigma));
    }
    if (options.focal_mode != FocalMode::kFree) {
      return bad("a fixed focal length and a chart distance were given: leave one of them out");
    }
  }
  if (options.bend_degree < kSmallestBend || options.bend_degree > kLargestBend) {
    return bad(fmt::format(
        "a bend of degree {}, wanted {} to {}", options.bend_degree, kSmallestBend, kLargestBend));
  }
  if (!positive(options.focal_ratio)) {
    return bad(fmt::format("focal ratio {}, wanted a number above 0", options.focal_ratio));
  }
  if (!(options.rejection_limit_sigma >= 3.0) || !std::isfinite(options.rejection_limit_sigma)) {
    return bad(
        fmt::format("rejection limit {} standard deviations, wanted at least 3 (good corners "
                    "would be rejected)",
                    options.rejection_limit_sigma));
  }
  if (!(options.frame_limit_factor > 1.0) || !std::isfinite(options.frame_limit_factor)) {
    return bad(
        fmt::format("frame limit {} times the median, wanted above 1", options.frame_limit_factor));
  }
  if (options.held_out_folds < 0 || options.held_out_folds == 1) {
    return bad(fmt::format("{} held-out folds, wanted 0 or at least 2", options.held_out_folds));
  }
  if (options.threads < 0) {
    return bad(fmt::format("{} threads, wanted 0 (all cores) or more", options.threads));
  }
  return kernel;
}

bool same_view(const Pose& a, const Pose& b) {
  const Eigen::AngleAxisd turn(Eigen::Matrix3d(a.rotation * b.rotation.transpose()));
  const double distance = std::max(a.translation_mm.norm(), b.translation_mm.norm());
  return std::abs(turn.angle()) < kSameTurnDeg * EIGEN_PI / 180.0 &&
         (a.translation_mm - b.translation_mm).norm() < kSameMove * distance;
}

bool only_one_distinct_view(const Frames& frames) {
  const Frame* first = nullptr;
  for (const Frame& frame : frames.all) {
    if (!frame.active) continue;
    if (first == nullptr) {
      first = &frame;
    } else if (!same_view(first->pose, frame.pose)) {
      return false;
    }
  }
  return true;
}

std::string no_frame_message(const std::vector<target::View>& views, const Screened& screened) {
  constexpr std::size_t kQuoted = 3;
  std::string reasons;
  std::size_t quoted = 0;
  for (const ScreenedView& s : screened.views) {
    if (s.usable()) continue;
    if (quoted++ == kQuoted) {
      reasons += "; ...";
      break;
    }
    reasons += fmt::format("{}{}: {}", reasons.empty() ? "" : "; ", views[s.index].frame, s.reason);
  }
  return fmt::format("none of {} frames is usable ({})", views.size(), reasons);
}

Unexpected not_determined(std::string_view what) {
  return fail(
      ErrorCode::kUndetermined,
      fmt::format("{}; shoot at least 3 frames with the chart at different tilts (10 to 45 "
                  "degrees, in more than one direction), or give the focal length and fix it",
                  what));
}

void summarise_residuals(LensFit& fit) {
  std::vector<double> lengths;
  double squares = 0.0;
  for (const FrameFit& frame : fit.frames) {
    if (!frame.used) continue;
    for (const PointFit& point : frame.points) {
      if (!point.used) continue;
      lengths.push_back(point.residual_px.norm());
      squares += point.residual_px.squaredNorm();
    }
  }
  fit.num_points = static_cast<int>(lengths.size());
  if (lengths.empty()) return;
  fit.rms_px = std::sqrt(squares / static_cast<double>(lengths.size()));
  std::sort(lengths.begin(), lengths.end());
  fit.max_residual_px = lengths.back();
  const std::size_t rank =
      static_cast<std::size_t>(std::ceil(0.95 * static_cast<double>(lengths.size())));
  fit.p95_residual_px = lengths[rank - 1];
}

Result<LensFit> fit_as_asked(const ModelKernel& kernel,
                             const std::vector<target::View>& views,
                             const FitOptions& options) {
  const auto begin = std::chrono::steady_clock::now();
  if (views.empty()) return fail(ErrorCode::kInvalidInput, "no views to fit a lens to");
  if (is_interrupted(options.interrupt)) return interruption();

  Screened screened = detail::screen(views, options);
  std::vector<Eigen::Matrix3d> homographies;
  for (const ScreenedView& s : screened.views) {
    if (s.usable()) homographies.push_back(s.plate_from_plane);
  }
  if (homographies.empty()) return fail(ErrorCode::kNoChart, no_frame_message(views, screened));

  const int num_fixed = detail::num_fixed(options.focal_mode);
  const ImageSize plate = screened.plate_size;
  const int longer = std::max(plate.width, plate.height);
  const auto in_range = [&](const Point2d& f) {
    return f.minCoeff() >= kCollapsed * longer && f.maxCoeff() <= kRunAway * longer;
  };
  if (options.focal_px && !in_range(*options.focal_px)) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("focal length {:.4g} x {:.4g} px for a {}x{} plate, wanted {:.4g} to {:.4g} "
                    "px: check the focal length and the film back",
                    options.focal_px->x(),
                    options.focal_px->y(),
                    plate.width,
                    plate.height,
                    kCollapsed * longer,
                    kRunAway * longer));
  }
  std::vector<StartPinhole> starts;
  if (num_fixed > 0) {
    starts.push_back(
        {{*options.focal_px, {0.5 * plate.width, 0.5 * plate.height}}, StartMethod::kGiven});
  } else {
    const StartOptions wanted{
        .plate_size = plate, .focal_px = options.focal_px, .focal_ratio = options.focal_ratio};
    starts = kernel.begins_as_pinhole ? start_candidates(homographies, wanted)
                                      : detail::trial_starts(kernel, screened, wanted);
    if (starts.empty()) return not_determined("no focal length gives the views a pose");
    // Before any solving: one view leaves a valley in which the solver would only wander.
    if (only_one_distinct_view(Frames(kernel, screened, starts.front().pinhole))) {
      return not_determined(fmt::format(
          "found {} usable frame{}, one distinct view: the focal length cannot be told from the "
          "distance",
          homographies.size(),
          homographies.size() == 1 ? "" : "s"));
    }
  }

  const NumberedChart chart =
      detail::number_chart(screened, options.chart_shape, options.chart_identity);
  Attempt attempt = detail::best_attempt(kernel, options, screened, starts);
  const Frames& frames = attempt.frames;
  if (frames.num_active() == 0) {
    return fail(ErrorCode::kNotConverged,
                fmt::format("no frame is left after rejection ({})", frames.first_reason()));
  }
  if (num_fixed == 0 && only_one_distinct_view(frames)) {
    return not_determined(fmt::format(
        "one distinct view is left after rejection of {} of {} frames: the focal length cannot be "
        "told from the distance",
        static_cast<int>(frames.all.size()) - frames.num_active(),
        frames.all.size()));
  }
  const Eigen::VectorXd& theta = attempt.state.intrinsics;
  if (!theta.allFinite() || !in_range(theta.head<2>())) {
    return not_determined(
        fmt::format("the focal length ran away to {:.4g} x {:.4g} px", theta(0), theta(1)));
  }
  if (!attempt.converged) {
    return not_determined(
        fmt::format("the fit did not settle within {} steps", attempt.iterations));
  }

  const detail::HalfTurn half_turn(chart.sites);
  attempt.chart_fit.reason = chart.reason;
  if (chart.reason.empty()) detail::fit_chart(kernel, options, chart.sites, half_turn, attempt);
  const bool with_chart = attempt.chart && attempt.chart->terms.any();
  const ChartModel chart_model(chart.sites,
                               with_chart ? attempt.chart->terms : detail::ChartTerms{});

  const std::vector<const detail::ViewPoints*> fitted = frames.fitted_views();
  int num_points = 0;
  for (const detail::ViewPoints* view : fitted) num_points += static_cast<int>(view->size());
  const int num_parameters = kernel.num_intrinsics() - num_fixed +
                             detail::kNumPose * static_cast<int>(fitted.size()) +
                             static_cast<int>(chart_model.num_independent());
  if (2 * num_points <= num_parameters) {
    return not_determined(fmt::format("found {} corners in {} frames, too few for {} unknowns",
                                      num_points,
                                      fitted.size(),
                                      num_parameters));
  }
  std::optional<Eigen::MatrixXd> inverse;
  if (with_chart) {
    attempt.chart->information = detail::inverse_information_with_chart(
        kernel, fitted, chart_model, num_fixed, attempt.state, attempt.chart->values);
    if (attempt.chart->information) inverse = attempt.chart->information->intrinsics;
  } else {
    inverse = detail::inverse_information(kernel, fitted, num_fixed, attempt.state);
  }
  if (!inverse) return not_determined("the views leave the lens undetermined");

  LensFit fit;
  Result<lens::Lens> lens = detail::lens_of(kernel, theta, plate);
  if (!lens) return fail(lens.error());
  fit.lens = *std::move(lens);
  fit.parameter_names = {"focal_x_px", "focal_y_px", "principal_x_px", "principal_y_px"};
  for (std::string_view name : kernel.parameter_names) fit.parameter_names.emplace_back(name);
  fit.parameters = theta;
  const detail::CoefficientPrior prior = detail::prior_of(kernel);
  const double num_held = detail::num_held_by(prior, *inverse);
  fit.num_effective = kernel.num_intrinsics() - num_fixed - num_held;
  const double believed = detail::beliefs(prior, kernel.growth, theta).residuals.squaredNorm();
  fit.noise_sigma_px = std::sqrt(std::max(0.0, attempt.sum_of_squares - believed) /
                                 (2 * num_points - num_parameters + num_held));
  fit.covariance = fit.noise_sigma_px * fit.noise_sigma_px * *inverse;
  fit.sigma = fit.covariance.diagonal().cwiseSqrt();
  fit.chart = attempt.chart_fit;
  if (with_chart) {
    detail::describe_chart(chart_model, *attempt.chart, fit.noise_sigma_px, fit.chart);
  }
  fit.frames = frames.report(views, half_turn);
  fit.num_frames = static_cast<int>(fitted.size());
  fit.start = attempt.start;
  fit.iterations = attempt.iterations;

  double largest_tilt = 0.0;
  for (const FrameFit& frame : fit.frames) {
    if (frame.used) largest_tilt = std::max(largest_tilt, frame.tilt_deg);
  }
  const double focal_doubt = std::max(fit.sigma(0) / theta(0), fit.sigma(1) / theta(1));
  if (focal_doubt >
      (largest_tilt < kSquareOnDeg ? kUndeterminedFocalSquareOn : kUndeterminedFocal)) {
    return not_determined(
        fmt::format("the focal length is not determined ({:.4g} +- {:.2g} px, largest tilt {:.1f} "
                    "degrees)",
                    theta(0),
                    fit.sigma(0),
                    largest_tilt));
  }
  summarise_residuals(fit);
  // With unequal weights neighbours have unequal noise, and the comparison means nothing.
  const std::optional<double> local = options.weighting == Weighting::kEqual
                                          ? detail::local_noise_px(views, fit.frames)
                                          : std::nullopt;
  if (local && fit.noise_sigma_px > 0.0) {
    const double ratio = *local / fit.noise_sigma_px;
    fit.systematic_share = 1.0 - ratio * ratio;
  }
  std::optional<detail::HeldOut> held_out;
  if (options.held_out_folds > 0) {
    held_out = detail::held_out(kernel,
                                fitted,
                                attempt.state,
                                num_fixed,
                                options.held_out_folds,
                                options.threads,
                                with_chart ? &chart_model : nullptr);
    if (held_out) {
      fit.held_out_rms_px = held_out->rms_px;
      std::size_t judged = 0;
      for (const Frame& frame : frames.all) {
        if (!frame.active) continue;
        fit.frames[frame.screened->index].held_out_squares_px2 = held_out->view_squares[judged++];
      }
    }
  }
  fit.misfit =
      detail::find_misfit(kernel,
                          {.views = fitted,
                           .state = attempt.state,
                           .num_fixed = num_fixed,
                           .sum_of_squares = attempt.sum_of_squares,
                           .num_free = static_cast<double>(2 * num_points - num_parameters) +
                                       static_cast<double>(prior.rows.rows()),
                           .lens = fit.lens});
  detail::state_map_sigma(fit);
  fit.warnings = detail::doubts(fit,
                                views,
                                options,
                                {.num_other_size = screened.num_other_size,
                                 .held_out_per_noise = held_out ? held_out->per_noise : 1.0});
  fit.seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  return fit;
}

/// A fit with the focal length as `options` have it.
Result<LensFit> fit_kept_whole(const ModelKernel& kernel,
                               const std::vector<target::View>& views,
                               const FitOptions& options) {
  return kernel.make_prior == nullptr
             ? detail::fit_without_fold(fit_as_asked, kernel, views, options)
             : detail::fit_with_chosen_stiffness(fit_as_asked, kernel, views, options);
}

/// The fit where the views do not tell the focal length; nullopt where that matters.
std::optional<LensFit> fit_with_assumed(const ModelKernel& kernel,
                                        const std::vector<target::View>& views,
                                        const FitOptions& options) {
  const auto fit = [&](const FitOptions& which) { return fit_kept_whole(kernel, views, which); };
  return detail::fit_with_assumed_focal(fit, options, detail::screen(views, options).plate_size);
}

/// What views of very many corners leave open is seen from some of the corners: the solver would
/// otherwise wander along the valley with all of them. More corners of the same views only average
/// out noise, which is not what is missing then.
std::optional<Error> left_open(const ModelKernel& kernel,
                               const std::vector<target::View>& views,
                               const FitOptions& options) {
  const std::vector<target::View> fewer = detail::fewer_corners(views);
  if (fewer.empty()) return std::nullopt;
  const Result<LensFit> fitted = fit_kept_whole(kernel, fewer, detail::quick(options));
  if (fitted || fitted.error().code != ErrorCode::kUndetermined) return std::nullopt;
  return fitted.error();
}

/// fit_lens() with a checked model. What comes back after an interruption means nothing.
Result<LensFit> fit_with(const ModelKernel& kernel,
                         const std::vector<target::View>& views,
                         const FitOptions& options) {
  const bool free = options.focal_mode == FocalMode::kFree;
  const std::optional<Error> open = free ? left_open(kernel, views, options) : std::nullopt;
  Result<LensFit> fitted =
      open ? Result<LensFit>(fail(*open)) : fit_kept_whole(kernel, views, options);
  if (options.chart_distance_mm) {
    const auto fit = [&](const FitOptions& which) { return fit_kept_whole(kernel, views, which); };
    return detail::fit_with_chart_distance(
        fit, options, detail::screen(views, options).plate_size, fitted);
  }
  if (fitted || fitted.error().code != ErrorCode::kUndetermined || !free) return fitted;
  if (open && !fit_with_assumed(kernel, detail::fewer_corners(views), options)) return fitted;
  std::optional<LensFit> assumed = fit_with_assumed(kernel, views, options);
  if (assumed) return *std::move(assumed);
  return fitted;
}

}  // namespace

void take_shape(const ChartFit& chart, FitOptions& options) {
  options.chart_shape = shape_found(chart);
  options.bend_degree = std::max(kSmallestBend, chart.bend_degree);
}

Result<LensFit> fit_lens(const std::vector<target::View>& views, const FitOptions& options) {
  const Result<const ModelKernel*> known = check(options);
  if (!known) return fail(known.error());
  ModelKernel kernel = **known;
  kernel.interrupt = options.interrupt;
  const auto fit = [&](const FitOptions& which) { return fit_with(kernel, views, which); };
  Result<LensFit> fitted = detail::fit_with_one_focal(fit, kernel, views, options);
  if (is_interrupted(options.interrupt)) return interruption();
  return fitted;
}

Result<LensFit> detail::first_look(std::string_view model,
                                   const std::vector<target::View>& views,
                                   const FitOptions& options) {
  FitOptions plain = detail::quick(options);
  plain.model = model;
  const Result<const ModelKernel*> known = check(plain);
  if (!known) return fail(known.error());
  ModelKernel kernel = **known;
  kernel.interrupt = options.interrupt;
  return fit_as_asked(kernel, views, plain);
}

}  // namespace trueplate::fit
