#include "calib/plate/detail/line_starts.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/decompositions.h"
#include "calib/fit/detail/map_uncertainty.h"

namespace trueplate::plate::detail {

using fit::detail::find_kernel;
using fit::detail::kNumPinhole;

LensProblem problem_of(const LineModel& model, const LensProblem& pinhole) {
  LensProblem problem = pinhole;
  problem.kernel = find_kernel(model.name);
  for (int i = 0; i < model.num_coefficients; ++i) problem.free.push_back(kNumPinhole + i);
  return problem;
}

Eigen::VectorXd start_of(const LineModel& model,
                         const Eigen::Vector4d& pinhole,
                         double lambda,
                         const std::vector<const Chain*>& chains,
                         ImageSize plate) {
  const fit::detail::ModelKernel& kernel = *find_kernel(model.name);
  LensProblem problem{.kernel = &kernel, .plate_size = plate, .free = {}};
  Eigen::VectorXd start = Eigen::VectorXd::Zero(kernel.num_intrinsics());
  start.head<4>() = pinhole;
  for (const double share : {1.0, 0.7, 0.4, 0.2}) {
    // To first order k1 and lambda are the same number.
    start[kNumPinhole] = share * lambda;
    if (adjust(problem, start, chains)) return start;
  }
  start[kNumPinhole] = 0.0;
  return start;
}

std::optional<Eigen::VectorXd> start_like(const LineModel& model,
                                          const LensProblem& other,
                                          const Eigen::VectorXd& intrinsics,
                                          const std::vector<const Chain*>& chains) {
  constexpr int kNumRadii = 24;
  const auto lens = fit::detail::lens_of(*other.kernel, intrinsics, other.plate_size);
  if (!lens) return std::nullopt;
  double reach = 0.0;
  for (const Chain* chain : chains) {
    for (const Point2d& p_px : *chain) {
      reach =
          std::max(reach, (p_px - lens->principal_point_px).cwiseQuotient(lens->focal_px).norm());
    }
  }
  const bool divides = model.name.starts_with("division");
  Eigen::MatrixXd powers(kNumRadii, model.num_coefficients);
  Eigen::VectorXd wanted(kNumRadii);
  for (int i = 0; i < kNumRadii; ++i) {
    const double distorted = reach * (i + 1) / kNumRadii;
    const std::optional<Point2d> ideal = lens::undistort(lens->model, Point2d(distorted, 0.0));
    if (!ideal) return std::nullopt;
    // Both models are linear in their coefficients: distorted / ideal is 1 + k1 ideal^2 + ... of
    // one, 1 + lambda1 distorted^2 + ... of the other. Weighted for errors of the distorted radius.
    const double ratio = distorted / ideal->x();
    const double radius = divides ? distorted : ideal->x();
    for (int term = 0; term < model.num_coefficients; ++term) {
      powers(i, term) = distorted * std::pow(radius, 2 * (term + 1));
    }
    wanted[i] = distorted * (ratio - 1.0);
  }
  const fit::detail::ModelKernel& kernel = *find_kernel(model.name);
  Eigen::VectorXd start = Eigen::VectorXd::Zero(kernel.num_intrinsics());
  start.head<kNumPinhole>() = intrinsics.head<kNumPinhole>();
  start.segment(kNumPinhole, model.num_coefficients) = least_squares(powers, wanted);
  if (!start.allFinite()) return std::nullopt;
  return start;
}

std::optional<AdjustedLens> best_adjusted(const LensProblem& problem,
                                          std::span<const Eigen::VectorXd> starts,
                                          const std::vector<const Chain*>& chains) {
  std::optional<AdjustedLens> best;
  for (const Eigen::VectorXd& start : starts) {
    std::optional<AdjustedLens> lens = adjust(problem, start, chains);
    if (!lens || (best && best->sum_squares_px2 <= lens->sum_squares_px2)) continue;
    best = std::move(lens);
  }
  return best;
}

}  // namespace trueplate::plate::detail
