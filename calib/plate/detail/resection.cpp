#include "calib/plate/detail/resection.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <opencv2/calib3d.hpp>
#include <random>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

constexpr double kFar = 1e6;  // squared error of a point that is not in front

double squared_error(const Eigen::Matrix3d& rotation,
                     const Eigen::Vector3d& translation,
                     const Sight& sight) {
  const Eigen::Vector3d p = rotation * sight.point + translation;
  if (!(p.z() > 0.0)) return kFar;
  const double squared = (p.hnormalized() - sight.p_ideal).squaredNorm();
  return squared < kFar ? squared : kFar;
}

/// Up to four poses that see three points where they were seen.
std::vector<PoseVector> poses_of_three(std::span<const Sight> sights,
                                       const std::vector<std::size_t>& order) {
  cv::Mat_<double> points(3, 3);
  cv::Mat_<double> seen(3, 2);
  for (int i = 0; i < 3; ++i) {
    const Sight& sight = sights[order[static_cast<std::size_t>(i)]];
    for (int axis = 0; axis < 3; ++axis) points(i, axis) = sight.point(axis);
    for (int axis = 0; axis < 2; ++axis) seen(i, axis) = sight.p_ideal(axis);
  }
  std::vector<cv::Mat> turns;
  std::vector<cv::Mat> shifts;
  std::vector<PoseVector> poses;
  try {
    cv::solveP3P(points, seen, cv::Mat::eye(3, 3, CV_64F), {}, turns, shifts, cv::SOLVEPNP_AP3P);
  } catch (const cv::Exception&) {
    return poses;  // points of one line have no pose
  }
  for (std::size_t i = 0; i < turns.size(); ++i) {
    PoseVector pose;
    for (int axis = 0; axis < 3; ++axis) {
      pose(axis) = turns[i].at<double>(axis);
      pose(3 + axis) = shifts[i].at<double>(axis);
    }
    if (pose.allFinite()) poses.push_back(pose);
  }
  return poses;
}

double cauchy_cost(std::span<const Sight> sights, double scale, const PoseVector& pose) {
  const Eigen::Matrix3d rotation = rotation_of(pose);
  double cost = 0.0;
  for (const Sight& sight : sights) {
    cost += std::log1p(squared_error(rotation, pose.tail<3>(), sight) / (scale * scale));
  }
  return cost;
}

PoseVector moved(const PoseVector& pose, const PoseVector& step) {
  PoseVector turn = PoseVector::Zero();
  turn.head<3>() = step.head<3>();
  return pose_of(rotation_of(turn) * rotation_of(pose), pose.tail<3>() + step.tail<3>());
}

/// Derivative of p / p.z by p.
Eigen::Matrix<double, 2, 3> by_point(const Eigen::Vector3d& p) {
  Eigen::Matrix<double, 2, 3> jacobian;
  jacobian << 1.0, 0.0, -p.x() / p.z(), 0.0, 1.0, -p.y() / p.z();
  return jacobian / p.z();
}

}  // namespace

PoseVector refine_pose(std::span<const Sight> sights,
                       double cauchy_scale,
                       const PoseVector& start) {
  PoseVector pose = start;
  double cost = cauchy_cost(sights, cauchy_scale, pose);
  double damping = 1e-6;
  constexpr int kMaxSteps = 20;
  for (int iteration = 0; iteration < kMaxSteps && damping < 1e6; ++iteration) {
    const Eigen::Matrix3d rotation = rotation_of(pose);
    Eigen::Matrix<double, 6, 6> normal = Eigen::Matrix<double, 6, 6>::Zero();
    PoseVector gradient = PoseVector::Zero();
    for (const Sight& sight : sights) {
      const Eigen::Vector3d turned = rotation * sight.point;
      const Eigen::Vector3d p = turned + pose.tail<3>();
      if (!(p.z() > 0.0)) continue;
      const Point2d error = p.hnormalized() - sight.p_ideal;
      Eigen::Matrix<double, 3, 6> by_pose;
      by_pose << 0, turned.z(), -turned.y(), 1, 0, 0, -turned.z(), 0, turned.x(), 0, 1, 0,
          turned.y(), -turned.x(), 0, 0, 0, 1;
      const Eigen::Matrix<double, 2, 6> jacobian = by_point(p) * by_pose;
      const double weight = 1.0 / (1.0 + error.squaredNorm() / (cauchy_scale * cauchy_scale));
      normal += weight * jacobian.transpose() * jacobian;
      gradient += weight * jacobian.transpose() * error;
    }
    normal.diagonal() *= 1.0 + damping;
    const PoseVector step = solve_symmetric<6>(normal, -gradient);
    const PoseVector trial = step.allFinite() ? moved(pose, step) : pose;
    const double trial_cost = cauchy_cost(sights, cauchy_scale, trial);
    if (!step.allFinite() || !(trial_cost < cost)) {
      damping *= 100.0;
      continue;
    }
    const double gain = cost - trial_cost;
    pose = trial;
    cost = trial_cost;
    damping *= 0.1;
    if (gain < 1e-10 * cost) break;
  }
  return pose;
}

std::optional<PoseVector> resect(std::span<const Sight> sights) {
  if (sights.size() < kFewestSights) return std::nullopt;
  std::mt19937 generator(1);
  std::vector<std::size_t> order(sights.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::vector<double> errors(sights.size());
  const std::size_t quantile = std::min(sights.size() - 1, sights.size() / 2 + 2);
  double best_error = kFar;
  std::optional<PoseVector> best;
  constexpr int kNumSamples = 60;  // half of the points wrong, a good sample is missed once in 3000
  for (int draw = 0; draw < kNumSamples; ++draw) {
    for (std::size_t i = 0; i < 3; ++i) {
      std::swap(order[i], order[i + generator() % (order.size() - i)]);
    }
    for (const PoseVector& pose : poses_of_three(sights, order)) {
      const Eigen::Matrix3d rotation = rotation_of(pose);
      for (std::size_t i = 0; i < sights.size(); ++i) {
        errors[i] = squared_error(rotation, pose.tail<3>(), sights[i]);
      }
      const auto place = errors.begin() + static_cast<std::ptrdiff_t>(quantile);
      std::nth_element(errors.begin(), place, errors.end());
      if (*place < best_error) {
        best_error = *place;
        best = pose;
      }
    }
  }
  if (!best) return std::nullopt;
  const double scale = std::max(2.0 * std::sqrt(best_error / (2.0 * std::log(2.0))), 1e-7);
  return refine_pose(sights, scale, *best);
}

std::optional<Eigen::Vector3d> triangulate(std::span<const Bearing> bearings,
                                           double cauchy_scale,
                                           double smallest_angle) {
  if (bearings.size() < 2) return std::nullopt;
  Eigen::Matrix4d normal = Eigen::Matrix4d::Zero();
  std::vector<Eigen::Matrix3d> rotations;
  rotations.reserve(bearings.size());
  for (const Bearing& bearing : bearings) {
    rotations.push_back(rotation_of(bearing.pose));
    Eigen::Matrix<double, 3, 4> camera;
    camera << rotations.back(), bearing.pose.tail<3>();
    for (int axis = 0; axis < 2; ++axis) {
      const Eigen::Vector4d row =
          (bearing.p_ideal(axis) * camera.row(2) - camera.row(axis)).transpose();
      normal += row * row.transpose();
    }
  }
  const Eigen::Vector4d solution = symmetric_eigen<4>(normal).eigenvectors().col(0);
  Eigen::Vector3d point = solution.head<3>() / solution(3);
  if (!point.allFinite()) return std::nullopt;

  constexpr int kMaxSteps = 8;
  for (int iteration = 0; iteration < kMaxSteps; ++iteration) {
    Eigen::Matrix3d information = Eigen::Matrix3d::Zero();
    Eigen::Vector3d gradient = Eigen::Vector3d::Zero();
    for (std::size_t i = 0; i < bearings.size(); ++i) {
      const Eigen::Vector3d p = rotations[i] * point + bearings[i].pose.tail<3>();
      if (!(p.z() > 0.0)) continue;
      const Point2d error = p.hnormalized() - bearings[i].p_ideal;
      const Eigen::Matrix<double, 2, 3> jacobian = by_point(p) * rotations[i];
      const double weight = 1.0 / (1.0 + error.squaredNorm() / (cauchy_scale * cauchy_scale));
      information += weight * jacobian.transpose() * jacobian;
      gradient += weight * jacobian.transpose() * error;
    }
    const Eigen::Vector3d step = solve_symmetric<3>(information, -gradient);
    if (!step.allFinite()) break;
    point += step;
    if (step.norm() < 1e-9 * point.norm()) break;
  }

  double smallest_cosine = 1.0;
  Eigen::Vector3d first_ray = Eigen::Vector3d::Zero();
  for (std::size_t i = 0; i < bearings.size(); ++i) {
    const Eigen::Vector3d p = rotations[i] * point + bearings[i].pose.tail<3>();
    if (!(p.z() > 0.0)) return std::nullopt;
    const Eigen::Vector3d ray = (rotations[i].transpose() * p).normalized();
    if (i == 0) first_ray = ray;
    smallest_cosine = std::min(smallest_cosine, first_ray.dot(ray));
  }
  if (!(smallest_cosine < std::cos(smallest_angle))) return std::nullopt;
  return point;
}

}  // namespace trueplate::plate::detail
