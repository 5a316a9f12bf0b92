#include "calib/plate/detail/refine_essential.h"

#include <Eigen/Dense>
#include <cmath>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

using Step = Eigen::Matrix<double, 5, 1>;

Eigen::Matrix3d cross_matrix(const Eigen::Vector3d& v) {
  return (Eigen::Matrix3d() << 0, -v.z(), v.y(), v.z(), 0, -v.x(), -v.y(), v.x(), 0).finished();
}

Eigen::Matrix3d turn(const Eigen::Vector3d& rotation_vector) {
  const double angle = rotation_vector.norm();
  if (!(angle > 0.0)) return Eigen::Matrix3d::Identity();
  return Eigen::AngleAxisd(angle, rotation_vector / angle).toRotationMatrix();
}

/// Turned by step[0..2], its direction moved by step[3..4] along two directions across it.
RelativePose moved(const RelativePose& pose, const Step& step) {
  const Eigen::Vector3d t = pose.translation;
  const Eigen::Vector3d across = t.unitOrthogonal();
  return {.rotation = turn(step.head<3>()) * pose.rotation,
          .translation = (t + step(3) * across + step(4) * t.cross(across)).normalized()};
}

Eigen::Matrix3d essential(const RelativePose& pose) {
  return cross_matrix(pose.translation) * pose.rotation;
}

/// Sampson's distances with their signs, which a derivative needs.
Eigen::VectorXd distances(const RelativePose& pose, std::span<const PointPair> pairs) {
  const Eigen::Matrix3d e = essential(pose);
  Eigen::VectorXd result(static_cast<Eigen::Index>(pairs.size()));
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    const PointPair& pair = pairs[i];
    const double side = Eigen::Vector3d(pair.second.x(), pair.second.y(), 1.0)
                            .dot(e * Eigen::Vector3d(pair.first.x(), pair.first.y(), 1.0));
    result(static_cast<Eigen::Index>(i)) = std::copysign(std::sqrt(sampson_squared(e, pair)), side);
  }
  return result;
}

}  // namespace

std::optional<Eigen::Matrix3d> refine_essential(const Eigen::Matrix3d& start,
                                                std::span<const PointPair> pairs) {
  RelativePose pose = relative_poses(start).front();
  Eigen::VectorXd residuals = distances(pose, pairs);
  double damping = 1e-6;
  constexpr int kMaxSteps = 15;
  for (int iteration = 0; iteration < kMaxSteps; ++iteration) {
    Eigen::Matrix<double, Eigen::Dynamic, 5> jacobian(residuals.size(), 5);
    constexpr double kDifference = 1e-7;
    for (int i = 0; i < 5; ++i) {
      const Step step = kDifference * Step::Unit(i);
      jacobian.col(i) =
          (distances(moved(pose, step), pairs) - distances(moved(pose, -step), pairs)) /
          (2.0 * kDifference);
    }
    Eigen::Matrix<double, 5, 5> normal = jacobian.transpose() * jacobian;
    normal.diagonal() *= 1.0 + damping;
    const Step step = solve_symmetric<5>(normal, -jacobian.transpose() * residuals);
    if (!step.allFinite()) break;
    const RelativePose trial = moved(pose, step);
    const Eigen::VectorXd trial_residuals = distances(trial, pairs);
    if (!(trial_residuals.squaredNorm() < residuals.squaredNorm())) {
      damping *= 100.0;
      continue;
    }
    const double gain = residuals.squaredNorm() - trial_residuals.squaredNorm();
    pose = trial;
    residuals = trial_residuals;
    damping *= 0.1;
    if (gain < 1e-9 * residuals.squaredNorm()) break;
  }
  const Eigen::Matrix3d result = essential(pose);
  if (!result.allFinite()) return std::nullopt;
  return result;
}

}  // namespace trueplate::plate::detail
