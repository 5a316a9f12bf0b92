#include "calib/plate/detail/faults.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <cmath>
#include <span>

#include "calib/plate/detail/deviation.h"
#include "calib/plate/detail/drift.h"
#include "calib/plate/detail/grow.h"
#include "calib/plate/detail/resection.h"
#include "calib/plate/detail/swaps.h"

namespace trueplate::plate::detail {
namespace {

struct Step {
  std::size_t at = 0;  // first point after the jump; 0: none
  double jump_px = 0.0;
  double left = 1.0;  // of the sum of squares, when each side has its mean
};

/// A part of a track shorter than this is no slip.
constexpr std::size_t kShortestPart = 2;

/// Two means instead of none: where they explain most.
Step best_step(const std::vector<Point2d>& residuals) {
  const std::size_t n = residuals.size();
  Point2d total = Point2d::Zero();
  double squares = 0.0;
  for (const Point2d& r : residuals) {
    total += r;
    squares += r.squaredNorm();
  }
  Step best;
  Point2d before = Point2d::Zero();
  for (std::size_t at = 1; at < n; ++at) {
    before += residuals[at - 1];
    if (at < kShortestPart || n - at < kShortestPart) continue;
    const Point2d mean_before = before / static_cast<double>(at);
    const Point2d mean_after = (total - before) / static_cast<double>(n - at);
    const double explained = static_cast<double>(at) * mean_before.squaredNorm() +
                             static_cast<double>(n - at) * mean_after.squaredNorm();
    const double left = 1.0 - explained / squares;
    if (left < best.left) best = {at, (mean_after - mean_before).norm(), left};
  }
  return best;
}

/// The points of one track.
struct TrackErrors {
  std::vector<std::size_t> observations;
  std::vector<Point2d> residuals;
  std::vector<char> wrong;  // by itself
  std::size_t num_wrong = 0;
  double max_px = 0.0;
  std::size_t worst = 0;
  double squares = 0.0;
};

/// From where on a point is wrong.
struct Limits {
  double error_px = 0.0;
  double distance_px = 0.0;  // Deviations::distance_px
};

TrackErrors errors_of(const Shot& shot,
                      const Scene& scene,
                      std::size_t track,
                      std::span<const double> distance_px,
                      const Limits& limits) {
  TrackErrors errors;
  for (const std::size_t i : shot.of_track[track]) {
    if (shot.used[i] == 0) continue;
    const std::optional<Point2d> residual = residual_px(shot, scene, shot.observations[i]);
    if (!residual) continue;
    const double size = residual->norm();
    const bool wrong = size > limits.error_px && distance_px[i] > limits.distance_px;
    errors.wrong.push_back(wrong ? 1 : 0);
    errors.num_wrong += wrong ? 1 : 0;
    if (size > errors.max_px) {
      errors.max_px = size;
      errors.worst = errors.residuals.size();
    }
    errors.squares += size * size;
    errors.observations.push_back(i);
    errors.residuals.push_back(*residual);
  }
  return errors;
}

/// The point that observations begin .. end of the track see, in place of the scene's, and the sum
/// of their squared errors; nullopt when they see none.
std::optional<double> fit_part(const Shot& shot,
                               std::span<const std::optional<Point2d>> ideal,
                               std::span<const std::size_t> part,
                               Scene& scene) {
  std::vector<Bearing> bearings;
  for (const std::size_t i : part) {
    const auto& pose = scene.poses[static_cast<std::size_t>(shot.observations[i].frame)];
    if (pose && ideal[i]) bearings.push_back({*pose, *ideal[i]});
  }
  const auto track = static_cast<std::size_t>(shot.observations[part.front()].track);
  scene.points[track] = triangulate(bearings, shot.scale() / scene.focal_px(), 0.0);
  if (!scene.points[track]) return std::nullopt;
  double squares = 0.0;
  for (const std::size_t i : part) {
    const std::optional<Point2d> residual = residual_px(shot, scene, shot.observations[i]);
    if (!residual) return std::nullopt;
    squares += residual->squaredNorm();
  }
  return squares;
}

/// Two points instead of one: where they explain most. A track that slips halfway leaves the one
/// point between its two places, and errors that no two means explain. `jump_px` is where the two
/// are seen in the frame after the jump.
Step best_split(const Shot& shot,
                std::span<const std::optional<Point2d>> ideal,
                const TrackErrors& errors,
                Scene scene) {
  constexpr std::size_t kMostTried = 48;
  constexpr std::size_t kFewest = 8;
  const std::span<const std::size_t> all(errors.observations);
  Step best;
  if (all.size() < kFewest) return best;
  for (std::size_t at = kShortestPart; at + kShortestPart <= all.size();
       at += 1 + all.size() / kMostTried) {
    const Observation& first_after = shot.observations[all[at]];
    const std::optional<double> before = fit_part(shot, ideal, all.first(at), scene);
    const auto old_place = projected(shot, scene, first_after.frame, first_after.track);
    const std::optional<double> after = fit_part(shot, ideal, all.subspan(at), scene);
    const auto new_place = projected(shot, scene, first_after.frame, first_after.track);
    if (!before || !after || !old_place || !new_place) continue;
    const double left = (*before + *after) / errors.squares;
    if (left < best.left) best = {at, (*new_place - *old_place).norm(), left};
  }
  return best;
}

/// Which points of the track are to be left out.
std::vector<char> wrong_points(const TrackErrors& errors, const Step& step, bool slipped) {
  // A bad marker is bad in the frames between as well.
  constexpr double kShareOfWhole = 0.25;
  const std::size_t n = errors.residuals.size();
  std::vector<char> wrong = errors.wrong;
  const bool whole =
      !slipped && static_cast<double>(errors.num_wrong) > kShareOfWhole * static_cast<double>(n);
  double before = 0.0;
  double after = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    (i < step.at ? before : after) += errors.residuals[i].norm();
  }
  const bool before_is_wrong =
      slipped && before / static_cast<double>(step.at) > after / static_cast<double>(n - step.at);
  for (std::size_t i = 0; i < n; ++i) {
    const bool in_wrong_part = slipped && (i < step.at) == before_is_wrong;
    if (whole || in_wrong_part) wrong[i] = 1;
  }
  return wrong;
}

/// A track that has no place though enough cameras see it: off throughout where not even a point at
/// infinity, in the middle of its rays, is seen there. One with too little parallax is.
std::optional<TrackFault> rays_apart(const Shot& shot,
                                     const Scene& scene,
                                     std::span<const std::optional<Point2d>> ideal,
                                     std::size_t track,
                                     double limit_px) {
  constexpr std::size_t kFewest = 4;
  std::vector<std::size_t> seen;
  std::vector<Eigen::Vector3d> rays;
  Eigen::Vector3d middle = Eigen::Vector3d::Zero();
  for (const std::size_t i : shot.of_track[track]) {
    const auto& pose = scene.poses[static_cast<std::size_t>(shot.observations[i].frame)];
    if (shot.used[i] == 0 || !pose || !ideal[i]) continue;
    rays.push_back(rotation_of(*pose).transpose() * ideal[i]->homogeneous().normalized());
    middle += rays.back();
    seen.push_back(i);
  }
  if (seen.size() < kFewest) return std::nullopt;
  TrackFault fault{.track = static_cast<int>(track), .frames = {}};
  double squares = 0.0;
  for (std::size_t k = 0; k < seen.size(); ++k) {
    const double angle = std::atan2(rays[k].cross(middle).norm(), rays[k].dot(middle));
    const double size = scene.focal_px() * angle;
    squares += size * size;
    fault.frames.push_back(shot.observations[seen[k]].frame);
    if (size <= fault.size_px) continue;
    fault.size_px = size;
    fault.frame = fault.frames.back();
  }
  fault.rms_px = std::sqrt(squares / static_cast<double>(seen.size()));
  return fault.rms_px > limit_px ? std::optional(std::move(fault)) : std::nullopt;
}

}  // namespace

std::vector<TrackFault> take_out_faults(const Scene& scene, Shot& shot) {
  const Deviations deviating = deviations(shot, scene, cauchy_scale_px(shot, scene));
  const Limits limits{kFaultPx * shot.scale(), kFaultSigmas * deviating.sigma_px};
  const double least_jump_px = std::max(limits.error_px, limits.distance_px);
  // What a jump explains; a steady drift leaves a quarter.
  constexpr double kStepLeft = 0.2;
  const std::vector<std::optional<Point2d>> ideal = ideal_points(shot, scene.intrinsics);
  std::vector<TrackFault> faults;
  for (std::size_t track = 0; track < shot.of_track.size(); ++track) {
    if (!scene.points[track]) {
      std::optional<TrackFault> fault = rays_apart(shot, scene, ideal, track, least_jump_px);
      if (fault) faults.push_back(std::move(*fault));
      continue;
    }
    const TrackErrors errors = errors_of(shot, scene, track, deviating.distance_px, limits);
    if (errors.num_wrong == 0) continue;
    // What no two places explain is not slipped, and has no part that is right.
    const auto is_slip = [&](const Step& step) {
      const double left_px =
          std::sqrt(step.left * errors.squares / static_cast<double>(errors.residuals.size()));
      return step.at > 0 && step.left < kStepLeft && left_px < least_jump_px &&
             step.jump_px > least_jump_px;
    };
    Step step = best_step(errors.residuals);
    if (!is_slip(step)) {
      const Step split = best_split(shot, ideal, errors, scene);
      // A drift has two points as well, but they meet.
      if (is_slip(split) && split.jump_px > 0.8 * errors.max_px) step = split;
    }
    const std::optional<Drift> drift = drift_of(shot, scene, track);
    // Two places explain a quarter of a steady drift too little; a drift, as much of a jump.
    const bool drifts = drift && drift->left < kStepLeft && drift->way_px > least_jump_px &&
                        (!is_slip(step) || drift->left < step.left);
    const bool slipped = !drifts && is_slip(step);
    TrackFault fault{
        .track = static_cast<int>(track),
        .kind = drifts    ? FaultKind::kDrifts
                : slipped ? FaultKind::kSlipped
                          : FaultKind::kOff,
        .frame = shot.observations[errors.observations[slipped ? step.at : errors.worst]].frame,
        .size_px = drifts ? drift->way_px : (slipped ? step.jump_px : errors.max_px),
        .drift_px_per_frame = drifts ? drift->px_per_frame : 0.0,
        .rms_px = std::sqrt(errors.squares / static_cast<double>(errors.residuals.size())),
        .frames = {}};
    const std::vector<char> wrong = drifts ? std::vector<char>(errors.residuals.size(), 1)
                                           : wrong_points(errors, step, slipped);
    for (std::size_t i = 0; i < wrong.size(); ++i) {
      if (wrong[i] == 0) continue;
      shot.used[errors.observations[i]] = 0;
      fault.frames.push_back(shot.observations[errors.observations[i]].frame);
    }
    faults.push_back(std::move(fault));
  }
  note_swaps(shot, least_jump_px, faults);
  std::stable_sort(faults.begin(), faults.end(), [](const TrackFault& a, const TrackFault& b) {
    return a.rms_px > b.rms_px;
  });
  return faults;
}

}  // namespace trueplate::plate::detail
