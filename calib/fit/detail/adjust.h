#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>
#include <vector>

#include "calib/fit/closed_form.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

/// What the adjustment moves: the intrinsics, and one pose for each view.
struct Adjusted {
  Eigen::VectorXd intrinsics;
  std::vector<Pose> poses;
};

struct AdjustOptions {
  int num_fixed = 0;          // of the leading intrinsics: focal x, then focal y
  double cauchy_scale = 0.0;  // 0 = least squares
  /// Stop when a step lowers the cost by less than this share.
  double cost_tolerance = 1e-12;
  int max_iterations = 200;
};

struct AdjustSummary {
  bool converged = false;
  double sum_of_squares = 0.0;  // of the (softened) residuals
  int iterations = 0;
};

/// Minimises over intrinsics and poses, in one thread (Ceres' threads add up in an order that
/// differs from run to run); views[i] belongs to state.poses[i]. On failure (a start
/// with corners behind the camera, no convergence) `converged` is false and the state is the best
/// so far.
AdjustSummary adjust(const ModelKernel& kernel,
                     std::span<const ViewPoints* const> views,
                     const AdjustOptions& options,
                     Adjusted& state);

/// Moves one pose only, the lens fixed. False when the start is infeasible.
bool adjust_pose(const ModelKernel& kernel,
                 const ViewPoints& view,
                 const Eigen::VectorXd& intrinsics,
                 double cauchy_scale,
                 Pose& pose);

/// Residuals of one view, 2 n, predicted minus measured times weight; nullopt when a corner is
/// behind the camera.
[[nodiscard]] std::optional<std::vector<double>> residuals_of(const ModelKernel& kernel,
                                                              const ViewPoints& view,
                                                              const Eigen::VectorXd& intrinsics,
                                                              const Pose& pose);

/// What the views and the prior (not the least values) say of the intrinsics, the poses eliminated.
struct InformationFactor {
  Eigen::MatrixXd factor;  // factor^T factor is the information; a column for each intrinsic
  Eigen::VectorXd unreduced_diagonal;  // of the information with the poses known
};
/// nullopt when a corner is behind the camera.
[[nodiscard]] std::optional<InformationFactor> information_factor(
    const ModelKernel& kernel, std::span<const ViewPoints* const> views, const Adjusted& state);

/// The intrinsics' block of (J^T J)^-1 with the poses eliminated; rows and columns of a fixed focal
/// length are 0. nullopt when the views do not determine the intrinsics.
[[nodiscard]] std::optional<Eigen::MatrixXd> inverse_information(
    const ModelKernel& kernel,
    std::span<const ViewPoints* const> views,
    int num_fixed,
    const Adjusted& state);

}  // namespace trueplate::fit::detail
