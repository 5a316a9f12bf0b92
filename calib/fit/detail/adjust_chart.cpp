#include "calib/fit/detail/adjust_chart.h"

#include <Eigen/Cholesky>
#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <utility>
#include <vector>

#include "calib/base/interrupt.h"

namespace trueplate::fit::detail {
namespace {

using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
using Matrix6 = Eigen::Matrix<double, kNumPose, kNumPose>;
using Vector6 = Eigen::Matrix<double, kNumPose, 1>;

// Views whose eliminations are subtracted in one product of matrices.
constexpr Eigen::Index kViewsPerBatch = 32;
constexpr double kSmallestDamping = 1e-15;
constexpr double kLargestDamping = 1e12;
constexpr double kUnseen = 1e-10;
// Reciprocal condition number of the scaled normal equations below which they are singular.
constexpr double kSingular = 1e-13;

/// One view's part of the normal equations. "Dense" unknowns are the free intrinsics and the shared
/// values; the print's unknowns of a corner are those of its site.
struct ViewEquations {
  Matrix6 pose;
  Vector6 pose_gradient;
  Eigen::Matrix<double, kNumPose, Eigen::Dynamic> pose_dense;
  Eigen::Matrix<double, kNumPose, Eigen::Dynamic> pose_print;  // two columns per corner
};

/// The normal equations J^T J, J^T r at one point, poses apart.
struct Equations {
  Eigen::MatrixXd all;  // dense unknowns, then the print's; the lower triangle
  Eigen::VectorXd gradient;
  std::vector<ViewEquations> views;
  double sum_of_squares = 0.0;
};

class ChartProblem {
 public:
  ChartProblem(const ModelKernel& kernel,
               std::span<const ViewPoints* const> views,
               const ChartModel& model,
               int num_fixed)
      : kernel_(kernel),
        model_(model),
        first_(num_fixed),
        num_free_(kernel.num_intrinsics() - first_),
        num_dense_(num_free_ + model.num_shared()),
        gauge_(model.gauge()),
        prior_(prior_of(kernel)) {
    views_.reserve(views.size());
    for (const ViewPoints* view : views) views_.push_back(*view);
    for (std::size_t i = 0; i < model.sites().size(); ++i) bases_.push_back(model.basis(i));
  }

  [[nodiscard]] Eigen::Index num_unknowns() const { return num_dense_ + model_.num_print(); }
  [[nodiscard]] Eigen::Index first() const { return first_; }
  [[nodiscard]] Eigen::Index num_free() const { return num_free_; }
  [[nodiscard]] Eigen::Index num_dense() const { return num_dense_; }

  /// Sum of squares; nullopt when a corner is not in front of its camera.
  std::optional<double> cost(const Adjusted& state, const ChartValues& values) {
    place(values);
    double sum =
        penalty(values) + beliefs(prior_, kernel_.growth, state.intrinsics).residuals.squaredNorm();
    for (std::size_t v = 0; v < views_.size(); ++v) {
      residuals_.resize(2 * views_[v].size());
      const std::array<double, kNumPose> step = step_at(state.poses[v]);
      if (!kernel_.evaluate(views_[v],
                            state.intrinsics.data(),
                            state.poses[v],
                            step.data(),
                            0.0,
                            residuals_.data(),
                            nullptr,
                            nullptr)) {
        return std::nullopt;
      }
      for (const double r : residuals_) sum += r * r;
    }
    return sum;
  }

  std::optional<Equations> equations(const Adjusted& state, const ChartValues& values) {
    place(values);
    Equations result;
    result.all = Eigen::MatrixXd::Zero(num_unknowns(), num_unknowns());
    result.gradient = Eigen::VectorXd::Zero(num_unknowns());
    result.views.resize(views_.size());
    for (std::size_t v = 0; v < views_.size(); ++v) {
      if (!add_view(views_[v], state.intrinsics, state.poses[v], result, result.views[v])) {
        return std::nullopt;
      }
    }
    add_gauge(values, result);
    add_beliefs(state, result);
    return result;
  }

  /// `all` less what the poses explain, damped, and in `right`, unless null, the same for the
  /// negative gradient. nullopt when a pose is undetermined.
  std::optional<Eigen::MatrixXd> reduced(const Equations& equations,
                                         double damping,
                                         Eigen::VectorXd* right) const {
    Eigen::MatrixXd result = equations.all;
    result.diagonal() *= 1.0 + damping;
    // Sites that no view of this fit shows stay where they are.
    if (damping > 0.0) {
      result.diagonal().tail(model_.num_print()).array() += kUnseen * gauge_weight_;
    }
    if (right != nullptr) *right = -equations.gradient;
    const auto rows = kNumPose * std::min<Eigen::Index>(kViewsPerBatch, views_.size());
    Eigen::MatrixXd batch = Eigen::MatrixXd::Zero(rows, num_unknowns());
    Eigen::Index filled = 0;
    for (std::size_t v = 0; v < views_.size(); ++v) {
      const ViewEquations& view = equations.views[v];
      const Eigen::LLT<Matrix6> factor = factor_of(view.pose, damping);
      if (factor.info() != Eigen::Success) return std::nullopt;
      const Eigen::MatrixXd dense = factor.matrixL().solve(view.pose_dense);
      // Eigen's triangular solve takes the address of the first element, which no columns have.
      Eigen::MatrixXd print = view.pose_print;
      if (print.cols() > 0) factor.matrixL().solveInPlace(print);
      auto block = batch.middleRows(kNumPose * filled, kNumPose);
      block.leftCols(num_dense_) = dense;
      for (Eigen::Index c = 0; 2 * c < print.cols(); ++c) {
        block.middleCols<2>(print_column(views_[v], c)) += print.middleCols<2>(2 * c);
      }
      if (right != nullptr) {
        const Vector6 pose_gradient = factor.matrixL().solve(view.pose_gradient);
        *right += block.transpose() * pose_gradient;
      }
      ++filled;
      if (filled == kViewsPerBatch || v + 1 == views_.size()) {
        result.selfadjointView<Eigen::Lower>().rankUpdate(batch.transpose(), -1.0);
        batch.setZero();
        filled = 0;
      }
    }
    return result;
  }

  /// The state moved by `step`, each pose following.
  void move(const Equations& equations,
            double damping,
            const Eigen::VectorXd& step,
            Adjusted& state,
            ChartValues& values) const {
    for (std::size_t v = 0; v < views_.size(); ++v) {
      const ViewEquations& view = equations.views[v];
      Vector6 right = -view.pose_gradient - view.pose_dense * step.head(num_dense_);
      for (Eigen::Index c = 0; 2 * c < view.pose_print.cols(); ++c) {
        right -= view.pose_print.middleCols<2>(2 * c) * step.segment<2>(print_column(views_[v], c));
      }
      const Vector6 turn = factor_of(view.pose, damping).solve(right);
      Pose& pose = state.poses[v];
      pose.rotation = rotation_of(turn.head<3>()) * pose.rotation;
      pose.translation_mm += turn.tail<3>();
    }
    state.intrinsics.tail(num_free_) += step.head(num_free_);
    values.shared += step.segment(num_free_, model_.num_shared());
    values.print += step.tail(model_.num_print());
  }

 private:
  static std::array<double, kNumPose> step_at(const Pose& pose) {
    const Eigen::Vector3d& t = pose.translation_mm;
    return {0.0, 0.0, 0.0, t.x(), t.y(), t.z()};
  }

  static Eigen::LLT<Matrix6> factor_of(const Matrix6& pose, double damping) {
    Matrix6 damped = pose;
    damped.diagonal() *= 1.0 + damping;
    return Eigen::LLT<Matrix6>(damped);
  }

  [[nodiscard]] Eigen::Index print_column(const ViewPoints& view, Eigen::Index corner) const {
    return num_dense_ + 2 * view.site[static_cast<std::size_t>(corner)];
  }

  void place(const ChartValues& values) {
    const std::vector<Eigen::Vector3d> positions = model_.positions(values);
    for (ViewPoints& view : views_) set_positions(positions, view);
  }

  /// The gauge's penalty; its weight is that of the print's unknowns, so that it conditions them.
  [[nodiscard]] double penalty(const ChartValues& values) const {
    return gauge_.cols() > 0 ? gauge_weight_ * (gauge_.transpose() * values.print).squaredNorm()
                             : 0.0;
  }

  void add_gauge(const ChartValues& values, Equations& result) {
    const Eigen::Index count = model_.num_print();
    if (count > 0) {
      auto print = result.all.bottomRightCorner(count, count);
      // Once: the cost must not change its meaning between steps.
      if (!(gauge_weight_ > 0.0)) gauge_weight_ = print.diagonal().mean();
      print.noalias() += gauge_weight_ * gauge_ * gauge_.transpose();
      result.gradient.tail(count) += gauge_weight_ * gauge_ * (gauge_.transpose() * values.print);
    }
    result.sum_of_squares += penalty(values);
  }

  void add_beliefs(const Adjusted& state, Equations& result) const {
    const Eigen::Index count = prior_.at.size();
    const Eigen::Index begin = kNumPinhole - first_;
    const Beliefs here = beliefs(prior_, kernel_.growth, state.intrinsics);
    const Eigen::MatrixXd& rows = here.by_coefficients;
    result.all.block(begin, begin, count, count).noalias() += rows.transpose() * rows;
    result.gradient.segment(begin, count).noalias() += rows.transpose() * here.residuals;
    result.sum_of_squares += here.residuals.squaredNorm();
  }

  bool add_view(const ViewPoints& view,
                const Eigen::VectorXd& intrinsics,
                const Pose& pose,
                Equations& result,
                ViewEquations& out) {
    if (is_interrupted(kernel_.interrupt)) return false;
    const auto corners = static_cast<Eigen::Index>(view.size());
    const Eigen::Index n = kernel_.num_intrinsics();
    residuals_.resize(2 * view.size());
    RowMajor by_intrinsics(2 * corners, n);
    Eigen::Matrix<double, Eigen::Dynamic, kNumPose, Eigen::RowMajor> by_pose(2 * corners, 6);
    const std::array<double, kNumPose> step = step_at(pose);
    if (!kernel_.evaluate(view,
                          intrinsics.data(),
                          pose,
                          step.data(),
                          0.0,
                          residuals_.data(),
                          by_intrinsics.data(),
                          by_pose.data())) {
      return false;
    }
    const Eigen::Map<const Eigen::VectorXd> r(residuals_.data(), 2 * corners);
    const bool print = model_.terms().print;
    // By a chart point: its motion turned into the camera is a translation there.
    Eigen::MatrixXd by_dense(2 * corners, num_dense_);
    by_dense.leftCols(num_free_) = by_intrinsics.rightCols(num_free_);
    out.pose_print.resize(kNumPose, print ? 2 * corners : 0);
    for (Eigen::Index c = 0; c < corners; ++c) {
      const Eigen::Matrix<double, 2, 3> by_point = by_pose.block<2, 3>(2 * c, 3) * pose.rotation;
      const std::size_t site = static_cast<std::size_t>(view.site[static_cast<std::size_t>(c)]);
      by_dense.block(2 * c, num_free_, 2, model_.num_shared()) = by_point * bases_[site];
    }
    out.pose.noalias() = by_pose.transpose() * by_pose;
    out.pose_gradient.noalias() = by_pose.transpose() * r;
    out.pose_dense.noalias() = by_pose.transpose() * by_dense;
    result.all.topLeftCorner(num_dense_, num_dense_).noalias() += by_dense.transpose() * by_dense;
    result.gradient.head(num_dense_).noalias() += by_dense.transpose() * r;
    result.sum_of_squares += r.squaredNorm();
    if (!print) return true;
    for (Eigen::Index c = 0; c < corners; ++c) {
      const Eigen::Matrix2d by_print = by_pose.block<2, 3>(2 * c, 3) * pose.rotation.leftCols<2>();
      const Eigen::Index column = print_column(view, c);
      out.pose_print.middleCols<2>(2 * c) = by_pose.middleRows<2>(2 * c).transpose() * by_print;
      result.all.block(column, 0, 2, num_dense_) +=
          by_print.transpose() * by_dense.middleRows<2>(2 * c);
      result.all.block<2, 2>(column, column) += by_print.transpose() * by_print;
      result.gradient.segment<2>(column) += by_print.transpose() * r.segment<2>(2 * c);
    }
    return true;
  }

  const ModelKernel& kernel_;
  const ChartModel& model_;
  std::vector<ViewPoints> views_;  // their corners are moved
  std::vector<Eigen::Matrix3Xd> bases_;
  Eigen::Index first_;
  Eigen::Index num_free_;
  Eigen::Index num_dense_;
  Eigen::MatrixXd gauge_;
  CoefficientPrior prior_;
  double gauge_weight_ = 0.0;
  std::vector<double> residuals_;
};

}  // namespace

AdjustSummary adjust_with_chart(const ModelKernel& kernel,
                                std::span<const ViewPoints* const> views,
                                const ChartModel& model,
                                const AdjustOptions& options,
                                Adjusted& state,
                                ChartValues& values) {
  assert(views.size() == state.poses.size());
  ChartProblem problem(kernel, views, model, options.num_fixed);
  AdjustSummary summary;
  double damping = 1e-8;
  while (summary.iterations < options.max_iterations && !is_interrupted(kernel.interrupt)) {
    const std::optional<Equations> equations = problem.equations(state, values);
    if (!equations) return summary;
    summary.sum_of_squares = equations->sum_of_squares;
    double gain = -1.0;
    for (; gain < 0.0 && damping < kLargestDamping; ++summary.iterations) {
      Eigen::VectorXd step;
      const auto reduced = problem.reduced(*equations, damping, &step);
      if (reduced) {
        const Eigen::LLT<Eigen::MatrixXd> factor(*reduced);  // reads the lower triangle
        if (factor.info() == Eigen::Success) {
          step = factor.solve(step);
          Adjusted trial = state;
          ChartValues trial_values = values;
          problem.move(*equations, damping, step, trial, trial_values);
          const auto cost = step.allFinite() ? problem.cost(trial, trial_values) : std::nullopt;
          if (cost && *cost <= summary.sum_of_squares) {
            gain = summary.sum_of_squares - *cost;
            summary.sum_of_squares = *cost;
            state = std::move(trial);
            values = std::move(trial_values);
            damping = std::max(1e-3 * damping, kSmallestDamping);
            continue;
          }
        }
      }
      damping = std::max(10.0 * damping, 1e-8);
    }
    // No step lowers the cost any more: its minimum, to rounding.
    if (gain <= options.cost_tolerance * summary.sum_of_squares) {
      summary.converged = true;
      return summary;
    }
  }
  return summary;
}

std::optional<ChartInformation> inverse_information_with_chart(
    const ModelKernel& kernel,
    std::span<const ViewPoints* const> views,
    const ChartModel& model,
    int num_fixed,
    const Adjusted& state,
    const ChartValues& values) {
  ChartProblem problem(kernel, views, model, num_fixed);
  const std::optional<Equations> equations = problem.equations(state, values);
  if (!equations) return std::nullopt;
  const std::optional<Eigen::MatrixXd> reduced = problem.reduced(*equations, 0.0, nullptr);
  if (!reduced) return std::nullopt;
  // In comparable units, so that the condition measures the geometry.
  const Eigen::VectorXd scale = equations->all.diagonal().cwiseSqrt().cwiseInverse();
  if (!scale.allFinite()) return std::nullopt;
  Eigen::MatrixXd scaled = reduced->selfadjointView<Eigen::Lower>();
  scaled = scale.asDiagonal() * scaled * scale.asDiagonal();
  const Eigen::LLT<Eigen::MatrixXd> factor(scaled);
  if (factor.info() != Eigen::Success || !(factor.rcond() > kSingular)) return std::nullopt;
  Eigen::MatrixXd inverse =
      factor.solve(Eigen::MatrixXd::Identity(problem.num_unknowns(), problem.num_unknowns()));
  inverse = scale.asDiagonal() * inverse * scale.asDiagonal();
  if (!inverse.allFinite()) return std::nullopt;

  const Eigen::Index n = kernel.num_intrinsics();
  ChartInformation result;
  result.intrinsics = Eigen::MatrixXd::Zero(n, n);
  result.intrinsics.bottomRightCorner(problem.num_free(), problem.num_free()) =
      inverse.topLeftCorner(problem.num_free(), problem.num_free());
  result.shared =
      inverse.block(problem.num_free(), problem.num_free(), model.num_shared(), model.num_shared());
  result.print = inverse.bottomRightCorner(model.num_print(), model.num_print());
  return result;
}

}  // namespace trueplate::fit::detail
