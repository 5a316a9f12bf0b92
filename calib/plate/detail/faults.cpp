#include "calib/plate/detail/faults.h"

#include <algorithm>
#include <cmath>

namespace trueplate::plate::detail {
namespace {

struct Step {
  std::size_t at = 0;  // first point after the jump; 0: none
  double jump_px = 0.0;
  double left = 1.0;  // of the sum of squares, when each side has its mean
};

/// Two means instead of none: where they explain most.
Step best_step(const std::vector<Point2d>& residuals) {
  constexpr std::size_t kShortest = 2;
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
    if (at < kShortest || n - at < kShortest) continue;
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
  std::size_t num_wrong = 0;
  double max_px = 0.0;
  std::size_t worst = 0;
  double squares = 0.0;
};

TrackErrors errors_of(const Shot& shot, const Scene& scene, std::size_t track, double limit_px) {
  TrackErrors errors;
  for (const std::size_t i : shot.of_track[track]) {
    if (shot.used[i] == 0) continue;
    const std::optional<Point2d> residual = residual_px(shot, scene, shot.observations[i]);
    if (!residual) continue;
    const double size = residual->norm();
    if (size > limit_px) ++errors.num_wrong;
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

/// Which points of the track are to be left out.
std::vector<char> wrong_points(const TrackErrors& errors,
                               const Step& step,
                               bool slipped,
                               double limit_px) {
  // A bad marker is bad in the frames between as well.
  constexpr double kShareOfWhole = 0.25;
  const std::size_t n = errors.residuals.size();
  std::vector<char> wrong(n, 0);
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
    if (whole || in_wrong_part || errors.residuals[i].norm() > limit_px) wrong[i] = 1;
  }
  return wrong;
}

}  // namespace

std::vector<TrackFault> take_out_faults(const Scene& scene, Shot& shot) {
  const double sigma_px = robust_sigma_px(shot, scene);
  const double limit_px = std::max(kFaultSigmas * sigma_px, kFaultPx * shot.scale());
  // What a jump explains; a steady drift leaves a quarter.
  constexpr double kStepLeft = 0.2;
  std::vector<TrackFault> faults;
  for (std::size_t track = 0; track < shot.of_track.size(); ++track) {
    const TrackErrors errors = errors_of(shot, scene, track, limit_px);
    if (errors.num_wrong == 0) continue;
    const Step step = best_step(errors.residuals);
    const bool slipped = step.at > 0 && step.left < kStepLeft && step.jump_px > limit_px;
    TrackFault fault{
        .track = static_cast<int>(track),
        .slipped = slipped,
        .frame = shot.observations[errors.observations[slipped ? step.at : errors.worst]].frame,
        .size_px = slipped ? step.jump_px : errors.max_px,
        .rms_px = std::sqrt(errors.squares / static_cast<double>(errors.residuals.size())),
        .frames = {}};
    const std::vector<char> wrong = wrong_points(errors, step, slipped, limit_px);
    for (std::size_t i = 0; i < wrong.size(); ++i) {
      if (wrong[i] == 0) continue;
      shot.used[errors.observations[i]] = 0;
      fault.frames.push_back(shot.observations[errors.observations[i]].frame);
    }
    faults.push_back(std::move(fault));
  }
  std::stable_sort(faults.begin(), faults.end(), [](const TrackFault& a, const TrackFault& b) {
    return a.rms_px > b.rms_px;
  });
  return faults;
}

}  // namespace trueplate::plate::detail
