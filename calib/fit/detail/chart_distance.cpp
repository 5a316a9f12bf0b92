#include "calib/fit/detail/chart_distance.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

namespace trueplate::fit::detail {
namespace {

// A 35 mm lens before a film back of 24.89 mm, over the longer side. A start only.
constexpr double kUsual = 1.4;
constexpr int kMaxSteps = 8;
constexpr double kSettled = 1e-5;  // relative change of the focal length
// Frames whose distances differ by more than this share have no common one.
constexpr double kVaries = 0.1;
constexpr double kDisagrees = 3.0;  // standard deviations

/// Distances of the used frames' charts from the lens, square to the chart.
struct Distances {
  double mean_mm = 0.0;
  double spread_mm = 0.0;  // standard deviation over the frames
};

Distances distances_of(const LensFit& fit) {
  double sum = 0.0;
  double squares = 0.0;
  for (const FrameFit& frame : fit.frames) {
    if (!frame.used) continue;
    const double mm = frame.chart_normal.dot(frame.camera_from_chart.translation_mm);
    sum += mm;
    squares += mm * mm;
  }
  const double mean = sum / fit.num_frames;
  return {mean, std::sqrt(std::max(0.0, squares / fit.num_frames - mean * mean))};
}

struct FocalAtDistance {
  double focal_px = 0.0;
  Distances distances;
};

/// The held focal length at which the frames' mean distance is the one given: the distance grows
/// with the focal length, nearly in proportion.
Result<FocalAtDistance> focal_at_distance(const FitFunction& fit,
                                          const FitOptions& options,
                                          double start_px) {
  double focal = start_px;
  for (int step = 0; step < kMaxSteps; ++step) {
    const Result<LensFit> held = fit(quick(held_at(options, focal)));
    if (!held) break;
    const Distances distances = distances_of(*held);
    const double factor = options.chart_distance_mm->value / distances.mean_mm;
    if (!std::isfinite(factor) || factor <= 0.0) break;
    if (std::abs(factor - 1.0) < kSettled) return FocalAtDistance{focal, distances};
    focal *= factor;
  }
  return fail(ErrorCode::kUndetermined,
              fmt::format("no focal length puts the chart at a distance of {:.4g} mm: check the "
                          "distance and the chart's pitch",
                          options.chart_distance_mm->value));
}

void warn_of_spread(const Distances& distances, const FitOptions& options, LensFit& fit) {
  const double share = distances.spread_mm / distances.mean_mm;
  if (share <= kVaries) return;
  fit.warnings.push_back(
      {"chart-distance-varies",
       fmt::format("the frames' distances from the chart differ by {:.0f} % (standard deviation), "
                   "so that the one given, {:.4g} mm, says little about the focal length: give the "
                   "distance for frames taken from one place",
                   100.0 * share,
                   options.chart_distance_mm->value),
       share});
}

/// What a distance says by itself.
Measured focal_alone(double focal_px, const Distances& distances, const Measured& given) {
  return {focal_px, focal_px * std::hypot(given.sigma, distances.spread_mm) / given.value};
}

/// The frames say nothing: the distance decides.
Result<LensFit> decided_by_distance(const FitFunction& fit,
                                    const FitOptions& options,
                                    ImageSize plate) {
  const Measured& given = *options.chart_distance_mm;
  const double start =
      options.focal_px ? options.focal_px->x() : kUsual * std::max(plate.width, plate.height);
  const Result<FocalAtDistance> found = focal_at_distance(fit, options, start);
  if (!found) return fail(found.error());
  const Measured alone = focal_alone(found->focal_px, found->distances, given);
  std::optional<HeldFit> held = fit_held(fit, options, alone.value);
  if (!held) {
    return fail(ErrorCode::kUndetermined,
                fmt::format("with the focal length of {:.5g} px that follows from the chart "
                            "distance the views leave the lens undetermined",
                            alone.value));
  }
  LensFit result = widened(*std::move(held), alone.sigma);
  result.focal_from_distance_px = alone;
  std::erase_if(result.warnings, [](const Warning& w) { return w.code == "uncertain-focal"; });
  result.warnings.insert(
      result.warnings.begin(),
      {"focal-from-distance",
       fmt::format("the frames do not tell the focal length from the distance: {:.1f} +- {:.1f} "
                   "px (one standard deviation) follow from the chart distance given, {:.4g} +- "
                   "{:.2g} mm, alone; frames tilted by 20 to 45 degrees tell it better",
                   alone.value,
                   alone.sigma,
                   given.value,
                   given.sigma),
       alone.value});
  warn_of_spread(found->distances, options, result);
  return result;
}

/// Weighed against what the frames say.
Result<LensFit> weighed_with_distance(const FitFunction& fit,
                                      const FitOptions& options,
                                      const LensFit& free) {
  const Measured& given = *options.chart_distance_mm;
  const Distances distances = distances_of(free);
  const Measured views{free.parameters(0), free.sigma(0)};
  const Measured alone =
      focal_alone(views.value * given.value / distances.mean_mm, distances, given);
  const double of_views = std::pow(views.sigma, -2);
  const double of_distance = std::pow(alone.sigma, -2);
  const double both =
      (of_views * views.value + of_distance * alone.value) / (of_views + of_distance);
  const Result<LensFit> held = fit(held_at(options, both));
  if (!held) return fail(held.error());
  LensFit result = widened({*held, free.covariance.col(0) / free.covariance(0, 0)},
                           1.0 / std::sqrt(of_views + of_distance));
  result.focal_from_distance_px = alone;
  const double apart = std::abs(views.value - alone.value) / std::hypot(views.sigma, alone.sigma);
  if (apart > kDisagrees) {
    result.warnings.push_back(
        {"chart-distance-disagrees",
         fmt::format("the chart distance given, {:.4g} +- {:.2g} mm, wants a focal length of "
                     "{:.1f} +- {:.1f} px, the frames one of {:.1f} +- {:.1f} px: {:.1f} "
                     "standard deviations apart; check the distance (to the lens, not to the "
                     "sensor) and the chart's pitch",
                     given.value,
                     given.sigma,
                     alone.value,
                     alone.sigma,
                     views.value,
                     views.sigma,
                     apart),
         apart});
  }
  warn_of_spread(distances, options, result);
  return result;
}

}  // namespace

Result<LensFit> fit_with_chart_distance(const FitFunction& fit,
                                        const FitOptions& options,
                                        ImageSize plate,
                                        const Result<LensFit>& free) {
  if (free) return weighed_with_distance(fit, options, *free);
  if (free.error().code != ErrorCode::kUndetermined) return free;
  return decided_by_distance(fit, options, plate);
}

}  // namespace trueplate::fit::detail
