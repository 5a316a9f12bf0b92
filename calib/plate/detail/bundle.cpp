#include "calib/plate/detail/bundle.h"

#include <ceres/autodiff_cost_function.h>
#include <ceres/loss_function.h>
#include <ceres/manifold.h>
#include <ceres/ordered_groups.h>
#include <ceres/problem.h>
#include <ceres/solver.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>

#include "calib/plate/detail/projection_cost.h"
#include "calib/plate/detail/selection.h"

namespace trueplate::plate::detail {
namespace {

using Cost = ceres::AutoDiffCostFunction<ProjectionCost, 2, 3, 6, 3>;

ProjectionCost cost_of(const Shot& shot, const Observation& observation) {
  return {observation.p_px - shot.centre_px, observation.plate_from_solver, shot.focal_ratio};
}

/// The pull on ln f, k1 and k2.
struct PullCost {
  Eigen::Vector3d start;

  template <class T>
  bool operator()(const T* intrinsics, T* residuals) const {
    for (int i = 0; i < 3; ++i) residuals[i] = kPullPx * (intrinsics[i] - start(i));
    return true;
  }
};

/// Multiplications of one step: what each eliminated block costs, and the dense rest.
double cost_of_eliminating(const std::vector<int>& seen, int size, int other_size) {
  double pairs = 0.0;
  for (const int count : seen) pairs += 0.5 * count * static_cast<double>(count);
  return pairs * size * other_size * other_size;
}

struct Elimination {
  bool poses = true;
  double rest = 0.0;  // unknowns that are left
};

Elimination cheaper_elimination(const Selection& selection) {
  const double by_points = 3.0 * num_seen(selection.of_track);
  const double by_poses = 6.0 * num_seen(selection.of_frame);
  const double poses_cost =
      cost_of_eliminating(selection.of_frame, 6, 3) + std::pow(by_points, 3.0) / 3.0;
  const double points_cost =
      cost_of_eliminating(selection.of_track, 3, 6) + std::pow(by_poses, 3.0) / 3.0;
  return poses_cost <= points_cost ? Elimination{true, by_points} : Elimination{false, by_poses};
}

void hold_intrinsics(const BundleOptions& options, double* intrinsics, ceres::Problem& problem) {
  std::vector<int> held;
  if (!options.free_focal) held.push_back(0);
  for (int term = options.num_radial; term < 2; ++term) held.push_back(1 + term);
  if (held.size() == 3) {
    problem.SetParameterBlockConstant(intrinsics);
  } else if (!held.empty()) {
    problem.SetManifold(intrinsics, new ceres::SubsetManifold(3, held));
  }
}

/// Holds what no error depends on: the first pose, and of the camera farthest from it one
/// coordinate, which is the size of the whole.
void hold_datum(const Selection& selection, Scene& scene, ceres::Problem& problem) {
  const auto position = [&scene](std::size_t frame) {
    const PoseVector& pose = *scene.poses[frame];
    return Eigen::Vector3d(-rotation_of(pose).transpose() * pose.tail<3>());
  };
  std::optional<std::size_t> first;
  std::size_t farthest = 0;
  double distance = 0.0;
  for (std::size_t frame = 0; frame < selection.of_frame.size(); ++frame) {
    if (selection.of_frame[frame] == 0) continue;
    if (!first) first = frame;
    const double here = (position(frame) - position(*first)).norm();
    if (here <= distance) continue;
    distance = here;
    farthest = frame;
  }
  if (!first) return;
  problem.SetParameterBlockConstant(scene.poses[*first]->data());
  if (!(distance > 0.0)) return;
  PoseVector& pose = *scene.poses[farthest];
  const Eigen::Vector3d change = rotation_of(pose) * (position(farthest) - position(*first));
  Eigen::Index axis = 0;
  change.cwiseAbs().maxCoeff(&axis);
  problem.SetManifold(pose.data(), new ceres::SubsetManifold(6, {3 + static_cast<int>(axis)}));
}

ceres::Solver::Options solver_options(const BundleOptions& options,
                                      const Elimination& elimination) {
  constexpr double kLargestDense = 2000.0;
  ceres::Solver::Options solver;
  solver.linear_solver_type =
      elimination.rest <= kLargestDense ? ceres::DENSE_SCHUR : ceres::SPARSE_SCHUR;
  solver.logging_type = ceres::SILENT;
  solver.num_threads = 1;
  solver.max_num_iterations = options.max_iterations;
  solver.function_tolerance = options.cauchy_px > 0.0 ? 1e-6 : 1e-11;
  solver.parameter_tolerance = 1e-12;
  solver.gradient_tolerance = 1e-12;
  solver.initial_trust_region_radius = 1e4;
  // With less damping than this a point nearly at infinity leaves no factor.
  solver.max_trust_region_radius = 1e8;
  return solver;
}

}  // namespace

BundleSummary bundle(const Shot& shot, const BundleOptions& options, Scene& scene) {
  const Selection selection = select(shot, options, scene);
  if (selection.observations.empty()) return {};
  ceres::Problem problem;
  double* intrinsics = scene.intrinsics.data();
  auto ordering = std::make_shared<ceres::ParameterBlockOrdering>();
  const Elimination elimination = cheaper_elimination(selection);
  for (const std::size_t i : selection.observations) {
    const Observation& observation = shot.observations[i];
    double* pose = scene.poses[static_cast<std::size_t>(observation.frame)]->data();
    double* point = scene.points[static_cast<std::size_t>(observation.track)]->data();
    problem.AddResidualBlock(
        new Cost(new ProjectionCost(cost_of(shot, observation))),
        options.cauchy_px > 0.0 ? new ceres::CauchyLoss(options.cauchy_px) : nullptr,
        intrinsics,
        pose,
        point);
    ordering->AddElementToGroup(pose, elimination.poses ? 0 : 1);
    ordering->AddElementToGroup(point, elimination.poses ? 1 : 0);
  }
  ordering->AddElementToGroup(intrinsics, 1);
  if (options.free_focal || options.num_radial > 0) {
    problem.AddResidualBlock(
        new ceres::AutoDiffCostFunction<PullCost, 3, 3>(new PullCost{scene.intrinsics}),
        nullptr,
        intrinsics);
  }
  hold_intrinsics(options, intrinsics, problem);
  hold_datum(selection, scene, problem);

  ceres::Solver::Options solver = solver_options(options, elimination);
  solver.linear_solver_ordering = ordering;
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &problem, &summary);
  return {.converged = summary.termination_type == ceres::CONVERGENCE,
          .sum_of_squares = 2.0 * summary.final_cost,
          .num_observations = static_cast<int>(selection.observations.size())};
}

ProjectionJacobian projection_jacobian(const Shot& shot,
                                       const Observation& observation,
                                       const Eigen::Vector3d& intrinsics,
                                       const PoseVector& pose,
                                       const Eigen::Vector3d& point) {
  const Cost cost(new ProjectionCost(cost_of(shot, observation)));
  const std::array<const double*, 3> parameters{intrinsics.data(), pose.data(), point.data()};
  Eigen::Matrix<double, 2, 3, Eigen::RowMajor> by_intrinsics;
  Eigen::Matrix<double, 2, 6, Eigen::RowMajor> by_pose;
  Eigen::Matrix<double, 2, 3, Eigen::RowMajor> by_point;
  std::array<double*, 3> jacobians{by_intrinsics.data(), by_pose.data(), by_point.data()};
  Point2d residual;
  if (!cost.Evaluate(parameters.data(), residual.data(), jacobians.data())) return {};
  return {.by_intrinsics = by_intrinsics, .by_pose = by_pose, .by_point = by_point};
}

}  // namespace trueplate::plate::detail
