#include "calib/plate/detail/grow.h"

#include <algorithm>
#include <cmath>

#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/resection.h"

namespace trueplate::plate::detail {
namespace {

using IdealPoints = std::vector<std::optional<Point2d>>;

/// Rays that meet at less than this many pixels of parallax place no point.
constexpr double kLeastParallaxPx = 0.5;

std::vector<Sight> sights_of(const Shot& shot,
                             const Scene& scene,
                             const IdealPoints& ideal,
                             int frame) {
  std::vector<Sight> sights;
  const auto f = static_cast<std::size_t>(frame);
  for (std::size_t i = shot.starts[f]; i < shot.starts[f + 1]; ++i) {
    const auto& point = scene.points[static_cast<std::size_t>(shot.observations[i].track)];
    if (shot.used[i] != 0 && point && ideal[i]) sights.push_back({*point, *ideal[i]});
  }
  return sights;
}

void place_points(const Shot& shot, const IdealPoints& ideal, Scene& scene) {
  const double focal_px = scene.focal_px();
  std::vector<Bearing> bearings;
  for (std::size_t track = 0; track < shot.of_track.size(); ++track) {
    if (scene.points[track]) continue;
    bearings.clear();
    for (const std::size_t i : shot.of_track[track]) {
      const auto& pose = scene.poses[static_cast<std::size_t>(shot.observations[i].frame)];
      if (shot.used[i] != 0 && pose && ideal[i]) bearings.push_back({*pose, *ideal[i]});
    }
    scene.points[track] =
        triangulate(bearings, shot.scale() / focal_px, kLeastParallaxPx * shot.scale() / focal_px);
  }
}

std::optional<Scene> start_with_pair(const Shot& shot,
                                     const IdealPoints& ideal,
                                     int frame_a,
                                     int frame_b,
                                     const Eigen::Vector3d& intrinsics) {
  const CommonPoints common = common_points(shot, ideal, frame_a, frame_b);
  const std::optional<RobustModel> essential = robust_essential(common.ideal);
  if (!essential) return std::nullopt;
  std::vector<PointPair> inliers;
  for (std::size_t i = 0; i < common.ideal.size(); ++i) {
    if (essential->is_inlier[i] != 0) inliers.push_back(common.ideal[i]);
  }
  const RecoveredPose recovered = recover_pose(essential->matrix, inliers);
  Scene scene;
  scene.intrinsics = intrinsics;
  scene.poses.resize(static_cast<std::size_t>(shot.num_frames));
  scene.points.resize(static_cast<std::size_t>(shot.num_tracks));
  scene.poses[static_cast<std::size_t>(frame_a)] = PoseVector::Zero();
  scene.poses[static_cast<std::size_t>(frame_b)] =
      pose_of(recovered.pose.rotation, recovered.pose.translation);
  place_points(shot, ideal, scene);
  const auto placed = std::count_if(scene.points.begin(),
                                    scene.points.end(),
                                    [](const auto& point) { return point.has_value(); });
  if (placed < static_cast<std::ptrdiff_t>(kFewestSights)) return std::nullopt;
  return scene;
}

/// Of the frames without a pose the one that sees most known points; -1 when none sees enough.
int next_frame(const Shot& shot,
               std::span<const int> frames,
               const Scene& scene,
               const std::vector<char>& given_up) {
  int best = -1;
  std::size_t most = kFewestSights - 1;
  for (const int frame : frames) {
    const auto f = static_cast<std::size_t>(frame);
    if (scene.poses[f] || given_up[f] != 0) continue;
    std::size_t seen = 0;
    for (std::size_t i = shot.starts[f]; i < shot.starts[f + 1]; ++i) {
      const auto track = static_cast<std::size_t>(shot.observations[i].track);
      if (shot.used[i] != 0 && scene.points[track]) ++seen;
    }
    if (seen <= most) continue;
    most = seen;
    best = frame;
  }
  return best;
}

/// Adjusts all that has been found so far.
void adjust(const Shot& shot, const GrowOptions& options, Scene& scene) {
  bundle(shot,
         {.free_focal = options.free_focal,
          .num_radial = options.num_radial,
          .cauchy_px = cauchy_scale_px(shot, scene),
          .max_iterations = 20},
         scene);
}

}  // namespace

double cauchy_scale_px(const Shot& shot, const Scene& scene) {
  return std::clamp(2.0 * robust_sigma_px(shot, scene), 0.3 * shot.scale(), 5.0 * shot.scale());
}

double scene_cost(const Shot& shot, std::span<const int> frames, const Scene& scene) {
  const double scale = shot.scale();
  const double far = std::log1p(400.0);  // 20 px
  double cost = 0.0;
  double count = 0.0;
  for (const int frame : frames) {
    const auto f = static_cast<std::size_t>(frame);
    for (std::size_t i = shot.starts[f]; i < shot.starts[f + 1]; ++i) {
      if (shot.used[i] == 0) continue;
      const auto residual = residual_px(shot, scene, shot.observations[i]);
      const double loss = residual ? std::log1p(residual->squaredNorm() / (scale * scale)) : far;
      cost += std::isfinite(loss) ? std::min(loss, far) : far;
      count += 1.0;
    }
  }
  return count > 0.0 ? cost / count : far;
}

std::optional<Scene> grow_scene(const Shot& shot,
                                std::span<const int> frames,
                                int frame_a,
                                int frame_b,
                                const Eigen::Vector3d& intrinsics,
                                const GrowOptions& options) {
  IdealPoints ideal = ideal_points(shot, intrinsics);
  std::optional<Scene> scene = start_with_pair(shot, ideal, frame_a, frame_b, intrinsics);
  if (!scene) return std::nullopt;
  adjust(shot, {}, *scene);
  std::vector<char> given_up(static_cast<std::size_t>(shot.num_frames), 0);
  std::size_t num_posed = 2;
  std::size_t next_adjustment = 3;
  for (;;) {
    const int frame = next_frame(shot, frames, *scene, given_up);
    if (frame < 0) break;
    const auto f = static_cast<std::size_t>(frame);
    scene->poses[f] = resect(sights_of(shot, *scene, ideal, frame));
    if (!scene->poses[f]) {
      given_up[f] = 1;
      continue;
    }
    ++num_posed;
    place_points(shot, ideal, *scene);
    if (num_posed < next_adjustment) continue;
    next_adjustment = num_posed + (num_posed + 1) / 2;
    // With few frames the lens would follow anything.
    constexpr std::size_t kEnoughForLens = 4;
    adjust(shot, num_posed >= kEnoughForLens ? options : GrowOptions{}, *scene);
    ideal = ideal_points(shot, scene->intrinsics);
  }
  adjust(shot, options, *scene);
  return scene;
}

void place_left_out(const Shot& shot, Scene& scene) {
  Shot all = shot;
  for (std::size_t track = 0; track < shot.of_track.size(); ++track) {
    const auto& seen = shot.of_track[track];
    const bool left_out = std::none_of(
        seen.begin(), seen.end(), [&shot](std::size_t i) { return shot.used[i] != 0; });
    if (!left_out) continue;
    scene.points[track].reset();
    for (const std::size_t i : seen) all.used[i] = 1;
  }
  place_points(all, ideal_points(all, scene.intrinsics), scene);
}

void extend_scene(const Shot& shot, Scene& scene) {
  const IdealPoints ideal = ideal_points(shot, scene.intrinsics);
  place_points(shot, ideal, scene);
  // Frames that see only points placed from other new frames need another round.
  constexpr int kMostRounds = 3;
  for (int round = 0; round < kMostRounds; ++round) {
    bool added = false;
    for (int frame = 0; frame < shot.num_frames; ++frame) {
      const auto f = static_cast<std::size_t>(frame);
      if (scene.poses[f]) continue;
      scene.poses[f] = resect(sights_of(shot, scene, ideal, frame));
      added = added || scene.poses[f].has_value();
    }
    if (!added) break;
    place_points(shot, ideal, scene);
  }
}

}  // namespace trueplate::plate::detail
