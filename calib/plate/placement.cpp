#include "calib/plate/placement.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calib/base/utf8.h"

namespace trueplate::plate {
namespace {

using Eigen::Matrix3d;
using Eigen::Vector3d;

/// From y down and z forward to y up and z backward; its own inverse.
Matrix3d turned_about_x() { return Vector3d(1.0, -1.0, -1.0).asDiagonal(); }

std::string name_of_track(const Tracks& tracks, int track) {
  return printable(tracks.names[static_cast<std::size_t>(track)]);
}

Result<Vector3d> place_of(const Tracks& tracks, const CameraSolve& solve, int track) {
  if (track < 0 || track >= static_cast<int>(solve.points.size())) {
    return fail(ErrorCode::kInvalidInput, fmt::format("there is no track {}", track));
  }
  const auto& point = solve.points[static_cast<std::size_t>(track)];
  if (!point) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("track '{}' has no place in the solve; take another",
                            name_of_track(tracks, track)));
  }
  return *point;
}

/// From the solve's world to the placed one.
struct Move {
  double scale = 1.0;
  Matrix3d rotation = turned_about_x();
  Vector3d origin = Vector3d::Zero();

  [[nodiscard]] Vector3d operator()(const Vector3d& p) const {
    return scale * (rotation * (p - origin));
  }
};

Result<double> scale_of(const Tracks& tracks,
                        const CameraSolve& solve,
                        const PlacementOptions::Scale& scale) {
  if (!(scale.distance_m > 0.0) || !std::isfinite(scale.distance_m)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("the distance is {} m, wanted more than zero", scale.distance_m));
  }
  const Result<Vector3d> a = place_of(tracks, solve, scale.track_a);
  if (!a) return fail(a.error());
  const Result<Vector3d> b = place_of(tracks, solve, scale.track_b);
  if (!b) return fail(b.error());
  const double distance = (*a - *b).norm();
  if (!(distance > 0.0)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("tracks '{}' and '{}' are at one place, wanted two",
                            name_of_track(tracks, scale.track_a),
                            name_of_track(tracks, scale.track_b)));
  }
  return scale.distance_m / distance;
}

/// The rotation that lays three points into Y = const, the camera above them.
Result<Matrix3d> ground_rotation(const Tracks& tracks,
                                 const CameraSolve& solve,
                                 const std::array<int, 3>& ground,
                                 const CameraPose& camera) {
  std::array<Vector3d, 3> points;
  for (std::size_t i = 0; i < 3; ++i) {
    const Result<Vector3d> point = place_of(tracks, solve, ground[i]);
    if (!point) return fail(point.error());
    points[i] = *point;
  }
  const Vector3d one = points[1] - points[0];
  const Vector3d other = points[2] - points[0];
  Vector3d up = one.cross(other);
  constexpr double kLeastSine = 1e-3;
  if (!(up.norm() > kLeastSine * one.norm() * other.norm())) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("tracks '{}', '{}' and '{}' lie on one line, wanted a plane",
                            name_of_track(tracks, ground[0]),
                            name_of_track(tracks, ground[1]),
                            name_of_track(tracks, ground[2])));
  }
  up.normalize();
  if (up.dot(camera.position() - points[0]) < 0.0) up = -up;
  Vector3d right = camera.rotation.row(0).transpose();
  right -= right.dot(up) * up;
  if (!(right.norm() > kLeastSine)) right = up.unitOrthogonal();
  right.normalize();
  Matrix3d rotation;
  rotation.row(0) = right.transpose();
  rotation.row(1) = up.transpose();
  rotation.row(2) = right.cross(up).transpose();
  return rotation;
}

}  // namespace

Result<PlacedScene> placed(const Tracks& tracks,
                           const CameraSolve& solve,
                           const PlacementOptions& options) {
  const auto first = std::find_if(
      solve.poses.begin(), solve.poses.end(), [](const auto& pose) { return pose.has_value(); });
  if (first == solve.poses.end()) {
    return fail(ErrorCode::kInvalidInput, "there is no solved camera to place");
  }
  const CameraPose& camera = **first;
  Move move;
  if (options.scale) {
    const Result<double> scale = scale_of(tracks, solve, *options.scale);
    if (!scale) return fail(scale.error());
    move.scale = *scale;
  }
  move.rotation = turned_about_x() * camera.rotation;
  if (options.ground) {
    const Result<Matrix3d> rotation = ground_rotation(tracks, solve, *options.ground, camera);
    if (!rotation) return fail(rotation.error());
    move.rotation = *rotation;
  }
  move.origin = camera.position();
  if (options.origin || options.ground) {
    const int track = options.origin ? *options.origin : options.ground->front();
    const Result<Vector3d> origin = place_of(tracks, solve, track);
    if (!origin) return fail(origin.error());
    move.origin = *origin;
    if (options.origin && options.ground) {
      const Result<Vector3d> floor = place_of(tracks, solve, options.ground->front());
      if (!floor) return fail(floor.error());
      const Vector3d up = move.rotation.row(1).transpose();
      move.origin -= up.dot(*origin - *floor) * up;
    }
  }

  PlacedScene scene;
  scene.metres = options.scale.has_value();
  for (const std::optional<CameraPose>& pose : solve.poses) {
    scene.poses.emplace_back();
    if (!pose) continue;
    scene.poses.back() = PlacedPose{
        .world_from_camera = move.rotation * pose->rotation.transpose() * turned_about_x(),
        .position = move(pose->position())};
  }
  for (const std::optional<Vector3d>& point : solve.points) {
    scene.points.push_back(point ? std::optional(move(*point)) : std::nullopt);
  }
  return scene;
}

}  // namespace trueplate::plate
