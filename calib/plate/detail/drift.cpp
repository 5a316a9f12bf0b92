#include "calib/plate/detail/drift.h"

#include <Eigen/Core>
#include <vector>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

constexpr int kNumUnknown = 5;  // the point's place, then the drift along x and y
/// The point moves for a drift by no more than this share of its distance, one standard deviation
/// beside errors of a pixel: under an even move of the camera another depth looks like a drift.
constexpr double kPlaceDoubt = 0.1;

double distance_of(const PoseVector& pose, const Eigen::Vector3d& place) {
  return (rotation_of(pose) * place + pose.tail<3>()).norm();
}

/// How the point's image moves with the point, by differences over a thousandth of its distance.
std::optional<Eigen::Matrix<double, 2, 3>> image_by_point(const Shot& shot,
                                                          Scene& scene,
                                                          const Observation& observation) {
  constexpr double kStep = 1e-3;
  const auto track = static_cast<std::size_t>(observation.track);
  const Eigen::Vector3d place = *scene.points[track];
  const auto& pose = scene.poses[static_cast<std::size_t>(observation.frame)];
  const double step = kStep * distance_of(*pose, place);
  Eigen::Matrix<double, 2, 3> result;
  bool seen = true;
  for (int axis = 0; axis < 3 && seen; ++axis) {
    scene.points[track] = place + step * Eigen::Vector3d::Unit(axis);
    const auto ahead = residual_px(shot, scene, observation);
    scene.points[track] = place - step * Eigen::Vector3d::Unit(axis);
    const auto behind = residual_px(shot, scene, observation);
    seen = ahead && behind;
    if (seen) result.col(axis) = (*ahead - *behind) / (2.0 * step);
  }
  scene.points[track] = place;
  return seen ? std::optional(result) : std::nullopt;
}

}  // namespace

std::optional<Drift> drift_of(const Shot& shot, const Scene& given, std::size_t track) {
  constexpr std::size_t kFewest = 8;  // fewer follow anything
  constexpr int kRounds = 3;
  if (!given.points[track]) return std::nullopt;
  std::vector<const Observation*> seen;
  double middle = 0.0;
  for (const std::size_t i : shot.of_track[track]) {
    if (shot.used[i] == 0 || !residual_px(shot, given, shot.observations[i])) continue;
    seen.push_back(&shot.observations[i]);
    middle += seen.back()->frame;
  }
  if (seen.size() < kFewest) return std::nullopt;
  middle /= static_cast<double>(seen.size());

  Scene scene = given;
  Point2d drift = Point2d::Zero();
  const auto squares_with = [&](const Point2d& by) {
    double sum = 0.0;
    for (const Observation* observation : seen) {
      const auto residual = residual_px(shot, scene, *observation);
      if (!residual) return -1.0;
      sum += (*residual + (observation->frame - middle) * by).squaredNorm();
    }
    return sum;
  };
  const double before = squares_with(Point2d::Zero());
  if (!(before > 0.0)) return std::nullopt;
  const double distance = distance_of(*given.poses[static_cast<std::size_t>(seen.front()->frame)],
                                      *given.points[track]);
  double left = before;
  for (int round = 0; round < kRounds; ++round) {
    const auto num_points = static_cast<Eigen::Index>(seen.size());
    Eigen::MatrixXd rows = Eigen::MatrixXd::Zero(2 * num_points + 3, kNumUnknown);
    Eigen::VectorXd wanted = Eigen::VectorXd::Zero(rows.rows());
    for (Eigen::Index i = 0; i < num_points; ++i) {
      const Observation& observation = *seen[static_cast<std::size_t>(i)];
      const auto residual = residual_px(shot, scene, observation);
      const auto by_point = image_by_point(shot, scene, observation);
      if (!residual || !by_point) return std::nullopt;
      const double time = observation.frame - middle;
      rows.block<2, 3>(2 * i, 0) = *by_point;
      rows.block<2, 2>(2 * i, 3) = time * Eigen::Matrix2d::Identity();
      wanted.segment<2>(2 * i) = -(*residual + time * drift);
    }
    rows.bottomLeftCorner<3, 3>() =
        shot.scale() / (kPlaceDoubt * distance) * Eigen::Matrix3d::Identity();
    const Eigen::VectorXd step = least_squares(rows, wanted);
    if (!step.allFinite()) return std::nullopt;
    const Eigen::Vector3d place = *scene.points[track];
    scene.points[track] = place + Eigen::Vector3d(step.head<3>());
    const Point2d next = drift + Point2d(step.tail<2>());
    const double here = squares_with(next);
    if (!(here >= 0.0 && here < left)) {
      scene.points[track] = place;
      break;
    }
    left = here;
    drift = next;
  }
  const double per_frame = drift.norm();
  return Drift{.px_per_frame = per_frame,
               .way_px = per_frame * (seen.back()->frame - seen.front()->frame),
               .left = left / before};
}

}  // namespace trueplate::plate::detail
