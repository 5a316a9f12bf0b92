#include "calib/plate/detail/shot.h"

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>

namespace trueplate::plate::detail {
namespace {

void index(Shot& shot, const Tracks& tracks) {
  shot.num_frames = static_cast<int>(tracks.frames.size());
  shot.num_tracks = static_cast<int>(tracks.names.size());
  shot.starts = frame_starts(tracks);
  shot.of_track.resize(tracks.names.size());
  for (std::size_t i = 0; i < tracks.points.size(); ++i) {
    shot.of_track[static_cast<std::size_t>(tracks.points[i].track)].push_back(i);
  }
}

/// Derivative of distort_px() by its argument, by central differences; the identity where the lens
/// has none.
Eigen::Matrix2d plate_from_straight(const lens::Lens& lens, const Point2d& p_straight_px) {
  constexpr double kStepPx = 0.5;
  Eigen::Matrix2d jacobian;
  for (int axis = 0; axis < 2; ++axis) {
    const Point2d step = kStepPx * Point2d::Unit(axis);
    const std::optional<Point2d> before = lens::distort_px(lens, p_straight_px - step);
    const std::optional<Point2d> after = lens::distort_px(lens, p_straight_px + step);
    if (!before || !after) return Eigen::Matrix2d::Identity();
    jacobian.col(axis) = (*after - *before) / (2.0 * kStepPx);
  }
  return jacobian;
}

}  // namespace

Shot shot_of(const Tracks& tracks, ImageSize plate_size, double focal_ratio) {
  Shot shot;
  shot.plate_size = plate_size;
  shot.centre_px = {0.5 * plate_size.width, 0.5 * plate_size.height};
  shot.focal_ratio = focal_ratio;
  shot.observations.reserve(tracks.points.size());
  for (const TrackPoint& point : tracks.points) {
    shot.observations.push_back({.frame = point.frame, .track = point.track, .p_px = point.p_px});
  }
  shot.used.assign(shot.observations.size(), 1);
  index(shot, tracks);
  return shot;
}

Shot straightened_shot(const Tracks& tracks, const lens::Lens& lens) {
  Shot shot = shot_of(tracks, lens.plate_size, lens.focal_px.y() / lens.focal_px.x());
  shot.centre_px = lens.principal_point_px;
  for (std::size_t i = 0; i < shot.observations.size(); ++i) {
    Observation& observation = shot.observations[i];
    const std::optional<Point2d> straight = lens::undistort_px(lens, observation.p_px);
    if (!straight || !straight->allFinite()) {
      shot.used[i] = 0;
      continue;
    }
    observation.p_px = *straight;
    observation.plate_from_solver = plate_from_straight(lens, *straight);
  }
  return shot;
}

Eigen::Matrix3d rotation_of(const PoseVector& pose) {
  const double angle = pose.head<3>().norm();
  if (!(angle > 0.0)) return Eigen::Matrix3d::Identity();
  return Eigen::AngleAxisd(angle, pose.head<3>() / angle).toRotationMatrix();
}

PoseVector pose_of(const Eigen::Matrix3d& rotation, const Eigen::Vector3d& translation) {
  const Eigen::AngleAxisd turn(rotation);
  PoseVector pose;
  pose << turn.angle() * turn.axis(), translation;
  return pose;
}

double Scene::focal_px() const { return std::exp(intrinsics(0)); }

std::optional<Point2d> projected(const Shot& shot, const Scene& scene, int frame, int track) {
  const std::optional<PoseVector>& pose = scene.poses[static_cast<std::size_t>(frame)];
  const std::optional<Eigen::Vector3d>& point = scene.points[static_cast<std::size_t>(track)];
  if (!pose || !point) return std::nullopt;
  const Eigen::Vector3d p = rotation_of(*pose) * *point + pose->tail<3>();
  if (!(p.z() > 0.0)) return std::nullopt;
  const Point2d ideal = p.hnormalized();
  const double r2 = ideal.squaredNorm();
  const double radial = 1.0 + r2 * (scene.intrinsics(1) + r2 * scene.intrinsics(2));
  const Point2d focal = scene.focal_px() * Point2d(1.0, shot.focal_ratio);
  return Point2d(shot.centre_px + radial * focal.cwiseProduct(ideal));
}

std::optional<Point2d> residual_px(const Shot& shot,
                                   const Scene& scene,
                                   const Observation& observation) {
  const std::optional<Point2d> p = projected(shot, scene, observation.frame, observation.track);
  if (!p) return std::nullopt;
  return Point2d(observation.plate_from_solver * (*p - observation.p_px));
}

std::vector<std::optional<Point2d>> ideal_points(const Shot& shot,
                                                 const Eigen::Vector3d& intrinsics) {
  const lens::RadialTangential radial({intrinsics(1), intrinsics(2), 0.0, 0.0, 0.0});
  const Point2d focal = std::exp(intrinsics(0)) * Point2d(1.0, shot.focal_ratio);
  std::vector<std::optional<Point2d>> ideal;
  ideal.reserve(shot.observations.size());
  for (const Observation& observation : shot.observations) {
    ideal.push_back(radial.undistort((observation.p_px - shot.centre_px).cwiseQuotient(focal)));
  }
  return ideal;
}

double robust_sigma_px(const Shot& shot, const Scene& scene) {
  std::vector<double> squared;
  for (std::size_t i = 0; i < shot.observations.size(); ++i) {
    if (shot.used[i] == 0) continue;
    if (const auto residual = residual_px(shot, scene, shot.observations[i])) {
      squared.push_back(residual->squaredNorm());
    }
  }
  if (squared.empty()) return 0.0;
  const auto middle = squared.begin() + static_cast<std::ptrdiff_t>(squared.size() / 2);
  std::nth_element(squared.begin(), middle, squared.end());
  return std::sqrt(*middle / (2.0 * std::log(2.0)));
}

}  // namespace trueplate::plate::detail
