#include "calib/fit/detail/adjust.h"

#include <ceres/cost_function.h>
#include <ceres/iteration_callback.h>
#include <ceres/manifold.h>
#include <ceres/ordered_groups.h>
#include <ceres/problem.h>
#include <ceres/solver.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <limits>
#include <memory>
#include <numeric>
#include <utility>

#include "calib/base/decompositions.h"
#include "calib/base/interrupt.h"
#include "calib/fit/detail/view_pieces.h"

namespace trueplate::fit::detail {
namespace {

using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
using Step = std::array<double, kNumPose>;

Step step_at(const Pose& pose) {
  const Eigen::Vector3d& t = pose.translation_mm;
  return {0.0, 0.0, 0.0, t.x(), t.y(), t.z()};
}

Pose applied(const Pose& base, const double* step) {
  return {.rotation = rotation_of({step[0], step[1], step[2]}) * base.rotation,
          .translation_mm = {step[3], step[4], step[5]}};
}

/// S with S^T S = products, a symmetric positive semi-definite matrix; nullopt when a number
/// overflowed. Pivots that are rounding become 0.
std::optional<Eigen::MatrixXd> root_of(const Eigen::MatrixXd& products) {
  // Columns of unit length, so that every pivot's rounding has the same size.
  const Eigen::VectorXd length = products.diagonal().cwiseSqrt();
  if (!length.allFinite()) return std::nullopt;
  const Eigen::VectorXd inverse =
      length.unaryExpr([](double l) { return l > 0.0 ? 1.0 / l : 0.0; });
  const Eigen::LDLT<Eigen::MatrixXd> ldlt(inverse.asDiagonal() * products * inverse.asDiagonal());
  const double rounding =
      static_cast<double>(products.cols()) * std::numeric_limits<double>::epsilon();
  const Eigen::VectorXd pivots =
      ldlt.vectorD().unaryExpr([rounding](double d) { return d > rounding ? std::sqrt(d) : 0.0; });
  Eigen::MatrixXd root =
      ldlt.transpositionsP() * Eigen::MatrixXd::Identity(products.rows(), products.cols());
  root = pivots.asDiagonal() * (ldlt.matrixU() * root) * length.asDiagonal();
  if (!root.allFinite()) return std::nullopt;
  return root;
}

/// All corners of one view as one residual block with two parameter blocks, of which Ceres
/// eliminates the pose.
///
/// With derivatives A = [by_intrinsics, by_pose, residuals] of 2 n rows, Ceres gets a square root S
/// of A^T A instead: S^T S = A^T A, so that cost, gradient and normal equations are the same, and
/// its own work no longer depends on n. Without derivatives the cost alone counts, and the last row
/// carries it. Views with hardly more rows than that are handed on as they are.
class ViewCost final : public ceres::CostFunction {
 public:
  ViewCost(const ModelKernel& kernel, const ViewPoints& view, const Pose& base, double cauchy_scale)
      : kernel_(kernel),
        view_(view),
        base_(base),
        cauchy_scale_(cauchy_scale),
        num_columns_(kernel.num_intrinsics() + kNumPose + 1) {
    const auto num_rows = static_cast<int>(2 * view.size());
    if (num_rows > 2 * num_columns_) pieces_.emplace(view);
    set_num_residuals(pieces_ ? num_columns_ : num_rows);
    *mutable_parameter_block_sizes() = {kernel.num_intrinsics(), kNumPose};
  }

  bool Evaluate(const double* const* parameters,
                double* residuals,
                double** jacobians) const override {
    if (is_interrupted(kernel_.interrupt)) return false;
    double* by_intrinsics = jacobians != nullptr ? jacobians[0] : nullptr;
    double* by_pose = jacobians != nullptr ? jacobians[1] : nullptr;
    if (!pieces_) {
      return evaluate(view_, parameters, residuals, by_intrinsics, by_pose);
    }
    if (by_intrinsics == nullptr && by_pose == nullptr) return cost(parameters, residuals);
    return condensed(parameters, residuals, by_intrinsics, by_pose);
  }

 private:
  bool evaluate(const ViewPoints& points,
                const double* const* parameters,
                double* residuals,
                double* by_intrinsics,
                double* by_pose) const {
    return kernel_.evaluate(points,
                            parameters[0],
                            base_,
                            parameters[1],
                            cauchy_scale_,
                            residuals,
                            by_intrinsics,
                            by_pose);
  }

  bool cost(const double* const* parameters, double* residuals) const {
    std::vector<double> of_piece;
    double sum = 0.0;
    for (const ViewPoints* piece : *pieces_) {
      of_piece.resize(2 * piece->size());
      if (!evaluate(*piece, parameters, of_piece.data(), nullptr, nullptr)) return false;
      for (const double r : of_piece) sum += r * r;
    }
    std::fill_n(residuals, num_columns_ - 1, 0.0);
    residuals[num_columns_ - 1] = std::sqrt(sum);
    return true;
  }

  bool condensed(const double* const* parameters,
                 double* residuals,
                 double* by_intrinsics,
                 double* by_pose) const {
    const int num_intrinsics = kernel_.num_intrinsics();
    Eigen::MatrixXd products = Eigen::MatrixXd::Zero(num_columns_, num_columns_);
    Eigen::VectorXd r;
    RowMajor a;
    RowMajor b;
    RowMajor all;
    for (const ViewPoints* piece : *pieces_) {
      const auto num_rows = static_cast<Eigen::Index>(2 * piece->size());
      r.resize(num_rows);
      a.resize(num_rows, num_intrinsics);
      b.resize(num_rows, kNumPose);
      if (!evaluate(*piece, parameters, r.data(), a.data(), b.data())) return false;
      all.resize(num_rows, num_columns_);
      all << a, b, r;
      products.selfadjointView<Eigen::Lower>().rankUpdate(all.transpose());
    }
    products.triangularView<Eigen::StrictlyUpper>() = products.transpose();
    const std::optional<Eigen::MatrixXd> root = root_of(products);
    if (!root) return false;
    Eigen::Map<Eigen::VectorXd>(residuals, num_columns_) = root->rightCols<1>();
    if (by_intrinsics != nullptr) {
      Eigen::Map<RowMajor>(by_intrinsics, num_columns_, num_intrinsics) =
          root->leftCols(num_intrinsics);
    }
    if (by_pose != nullptr) {
      Eigen::Map<RowMajor>(by_pose, num_columns_, kNumPose) =
          root->middleCols(num_intrinsics, kNumPose);
    }
    return true;
  }

  const ModelKernel& kernel_;
  const ViewPoints& view_;
  const Pose& base_;
  double cauchy_scale_;
  int num_columns_;
  std::optional<ViewPieces> pieces_;
};

/// Ends the solver between two steps.
class Stop final : public ceres::IterationCallback {
 public:
  explicit Stop(const std::atomic<bool>* interrupt) : interrupt_(interrupt) {}
  ceres::CallbackReturnType operator()(const ceres::IterationSummary& /*summary*/) override {
    return is_interrupted(interrupt_) ? ceres::SOLVER_ABORT : ceres::SOLVER_CONTINUE;
  }

 private:
  const std::atomic<bool>* interrupt_;
};

/// The residuals of all that is believed of the coefficients.
class BeliefCost final : public ceres::CostFunction {
 public:
  BeliefCost(const CoefficientPrior& prior, const LeastValues* growth)
      : prior_(prior), growth_(growth) {
    const Eigen::Index of_growth = growth != nullptr ? growth->rows.rows() : 0;
    set_num_residuals(static_cast<int>(prior.rows.rows() + of_growth));
    *mutable_parameter_block_sizes() = {kNumPinhole + static_cast<int>(prior.at.size())};
  }

  bool Evaluate(const double* const* parameters,
                double* residuals,
                double** jacobians) const override {
    const Eigen::Index count = prior_.at.size();
    const Beliefs here = beliefs(
        prior_, growth_, Eigen::Map<const Eigen::VectorXd>(parameters[0], kNumPinhole + count));
    Eigen::Map<Eigen::VectorXd>(residuals, num_residuals()) = here.residuals;
    if (jacobians != nullptr && jacobians[0] != nullptr) {
      Eigen::Map<RowMajor> by_intrinsics(jacobians[0], num_residuals(), kNumPinhole + count);
      by_intrinsics.leftCols(kNumPinhole).setZero();
      by_intrinsics.rightCols(count) = here.by_coefficients;
    }
    return true;
  }

 private:
  const CoefficientPrior& prior_;
  const LeastValues* growth_;
};

}  // namespace

AdjustSummary adjust(const ModelKernel& kernel,
                     std::span<const ViewPoints* const> views,
                     const AdjustOptions& options,
                     Adjusted& state) {
  assert(views.size() == state.poses.size());
  const std::vector<Pose> bases = state.poses;
  std::vector<Step> steps;
  steps.reserve(bases.size());
  for (const Pose& base : bases) steps.push_back(step_at(base));

  ceres::Problem problem;
  auto ordering = std::make_shared<ceres::ParameterBlockOrdering>();
  double* intrinsics = state.intrinsics.data();
  for (std::size_t i = 0; i < views.size(); ++i) {
    problem.AddResidualBlock(new ViewCost(kernel, *views[i], bases[i], options.cauchy_scale),
                             nullptr,
                             intrinsics,
                             steps[i].data());
    ordering->AddElementToGroup(steps[i].data(), 0);
  }
  const bool pulled = !kernel.pull_px.empty();
  const CoefficientPrior prior = prior_of(kernel);
  if (prior.rows.rows() > 0 || kernel.growth != nullptr) {
    problem.AddResidualBlock(new BeliefCost(prior, kernel.growth), nullptr, intrinsics);
  }
  ordering->AddElementToGroup(intrinsics, 1);
  if (options.num_fixed > 0) {
    std::vector<int> fixed(static_cast<std::size_t>(options.num_fixed));
    std::iota(fixed.begin(), fixed.end(), 0);
    problem.SetManifold(intrinsics, new ceres::SubsetManifold(kernel.num_intrinsics(), fixed));
  }

  ceres::Solver::Options solver;
  solver.linear_solver_type = ceres::DENSE_SCHUR;
  solver.linear_solver_ordering = ordering;
  solver.logging_type = ceres::SILENT;
  solver.num_threads = 1;
  // Along the valley that a pull closes the steps are many.
  solver.max_num_iterations = pulled ? 5 * options.max_iterations : options.max_iterations;
  // With a prior the problem is nearly linear: a lens that takes longer is none for the model, and
  // each step is dear.
  constexpr int kMostWithPrior = 60;
  if (kernel.prior != nullptr) {
    solver.max_num_iterations = std::min(solver.max_num_iterations, kMostWithPrior);
  }
  solver.function_tolerance = options.cost_tolerance;
  solver.parameter_tolerance = 1e-13;
  solver.gradient_tolerance = 1e-14;
  // Nearly Gauss-Newton from the first step: the starts are good, and the weakly determined
  // coefficients would otherwise wait for the region to grow.
  solver.initial_trust_region_radius = pulled ? 1e4 : 1e8;
  // Coefficients that need the pull leave the normal equations singular to rounding without some
  // damping.
  solver.max_trust_region_radius = pulled ? 1e14 : 1e20;
  Stop stop(kernel.interrupt);
  solver.callbacks.push_back(&stop);
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &problem, &summary);

  for (std::size_t i = 0; i < views.size(); ++i) {
    state.poses[i] = applied(bases[i], steps[i].data());
  }
  return {.converged = summary.termination_type == ceres::CONVERGENCE,
          .sum_of_squares = 2.0 * summary.final_cost,
          .iterations = summary.num_successful_steps + summary.num_unsuccessful_steps};
}

bool adjust_pose(const ModelKernel& kernel,
                 const ViewPoints& view,
                 const Eigen::VectorXd& intrinsics,
                 double cauchy_scale,
                 Pose& pose) {
  const Eigen::Index num_rows = static_cast<Eigen::Index>(2 * view.size());
  Eigen::VectorXd residuals(num_rows);
  Eigen::VectorXd tried(num_rows);
  Eigen::Matrix<double, Eigen::Dynamic, kNumPose, Eigen::RowMajor> jacobian(num_rows, kNumPose);
  Pose base = pose;
  Step step = step_at(base);
  double damping = 1e-6;
  constexpr int kMaxSteps = 50;
  for (int iteration = 0; iteration < kMaxSteps; ++iteration) {
    if (is_interrupted(kernel.interrupt)) return false;
    if (!kernel.evaluate(view,
                         intrinsics.data(),
                         base,
                         step.data(),
                         cauchy_scale,
                         residuals.data(),
                         nullptr,
                         jacobian.data())) {
      return false;
    }
    const double cost = residuals.squaredNorm();
    const Eigen::Matrix<double, 6, 6> normal = jacobian.transpose() * jacobian;
    const Eigen::Matrix<double, 6, 1> gradient = jacobian.transpose() * residuals;
    bool improved = false;
    double gain = 0.0;
    for (; !improved && damping < 1e12; damping *= 10.0) {
      Eigen::Matrix<double, 6, 6> damped = normal;
      damped.diagonal() *= 1.0 + damping;
      const Eigen::Matrix<double, 6, 1> move = solve_symmetric<6>(damped, -gradient);
      if (!move.allFinite()) continue;
      Step trial = step;
      for (int i = 0; i < kNumPose; ++i) trial[i] += move(i);
      if (!kernel.evaluate(view,
                           intrinsics.data(),
                           base,
                           trial.data(),
                           cauchy_scale,
                           tried.data(),
                           nullptr,
                           nullptr)) {
        continue;
      }
      const double trial_cost = tried.squaredNorm();
      if (trial_cost <= cost) {
        improved = true;
        gain = cost - trial_cost;
        base = applied(base, trial.data());
        step = step_at(base);
        damping *= 1e-3;
      }
    }
    if (!improved || gain <= 1e-12 * cost) break;
  }
  pose = base;
  return true;
}

std::optional<std::vector<double>> residuals_of(const ModelKernel& kernel,
                                                const ViewPoints& view,
                                                const Eigen::VectorXd& intrinsics,
                                                const Pose& pose) {
  std::vector<double> residuals(2 * view.size());
  const Step step = step_at(pose);
  if (!kernel.evaluate(
          view, intrinsics.data(), pose, step.data(), 0.0, residuals.data(), nullptr, nullptr)) {
    return std::nullopt;
  }
  return residuals;
}

std::optional<InformationFactor> information_factor(const ModelKernel& kernel,
                                                    std::span<const ViewPoints* const> views,
                                                    const Adjusted& state) {
  // Orthogonal factors throughout instead of the normal equations, which would square the condition
  // number: the information is factor^T factor.
  const int n = kernel.num_intrinsics();
  const CoefficientPrior prior = prior_of(kernel);
  const Eigen::Index num_coefficients = prior.at.size();
  Eigen::MatrixXd factor = Eigen::MatrixXd::Zero(std::max<Eigen::Index>(n, prior.rows.rows()), n);
  factor.topRightCorner(prior.rows.rows(), num_coefficients) = prior.rows;
  Eigen::VectorXd unreduced_diagonal = factor.colwise().squaredNorm().transpose();
  std::vector<double> residuals;
  for (std::size_t i = 0; i < views.size(); ++i) {
    const Step step = step_at(state.poses[i]);
    // The pose's columns first: below their rows stands what is left of the intrinsics' columns
    // after projecting them out.
    Eigen::MatrixXd of_view(0, kNumPose + n);
    for (const ViewPoints* piece : ViewPieces(*views[i])) {
      if (is_interrupted(kernel.interrupt)) return std::nullopt;
      const auto rows = static_cast<Eigen::Index>(2 * piece->size());
      residuals.resize(2 * piece->size());
      RowMajor by_intrinsics(rows, n);
      RowMajor by_pose(rows, kNumPose);
      if (!kernel.evaluate(*piece,
                           state.intrinsics.data(),
                           state.poses[i],
                           step.data(),
                           0.0,
                           residuals.data(),
                           by_intrinsics.data(),
                           by_pose.data())) {
        return std::nullopt;
      }
      unreduced_diagonal += by_intrinsics.colwise().squaredNorm().transpose();
      Eigen::MatrixXd stacked(of_view.rows() + rows, kNumPose + n);
      stacked << of_view, (RowMajor(rows, kNumPose + n) << by_pose, by_intrinsics).finished();
      of_view = upper_factor(stacked);
    }
    const Eigen::Index left = std::max<Eigen::Index>(0, of_view.rows() - kNumPose);
    Eigen::MatrixXd stacked(factor.rows() + left, n);
    stacked << factor, of_view.bottomRightCorner(left, n);
    factor = upper_factor(stacked);
  }
  return InformationFactor{std::move(factor), std::move(unreduced_diagonal)};
}

std::optional<Eigen::MatrixXd> inverse_information(const ModelKernel& kernel,
                                                   std::span<const ViewPoints* const> views,
                                                   int num_fixed,
                                                   const Adjusted& state) {
  const std::optional<InformationFactor> known = information_factor(kernel, views, state);
  if (!known) return std::nullopt;
  const int n = kernel.num_intrinsics();
  const int first = num_fixed;
  const int num_free = n - first;
  // Columns in comparable units, so that the smallest singular value measures the geometry.
  const Eigen::VectorXd scale = known->unreduced_diagonal.tail(num_free).cwiseSqrt().cwiseInverse();
  if (!scale.allFinite()) return std::nullopt;
  const auto [values, axes] =
      right_singular_vectors(known->factor.rightCols(num_free) * scale.asDiagonal());
  constexpr double kSingular = 3e-8;
  if (!(values(num_free - 1) > kSingular)) return std::nullopt;
  Eigen::MatrixXd result = Eigen::MatrixXd::Zero(n, n);
  result.bottomRightCorner(num_free, num_free) = scale.asDiagonal() * axes *
                                                 values.cwiseAbs2().cwiseInverse().asDiagonal() *
                                                 axes.transpose() * scale.asDiagonal();
  return result;
}

}  // namespace trueplate::fit::detail
