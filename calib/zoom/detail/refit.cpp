#include "calib/zoom/detail/refit.h"

#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <type_traits>
#include <variant>

#include "calib/base/decompositions.h"
#include "calib/base/result.h"

namespace trueplate::zoom::detail {
namespace {

using Eigen::Index;

constexpr int kMostSteps = 30;
/// How much a coefficient's stay at its start counts beside its effect on the rays: far too little
/// to be seen in any that the rays determine.
constexpr double kStay = 1e-6;
/// No step moves a ray by more than this when the work is done.
constexpr double kSettledPx = 1e-7;

/// One fit with a model of type M.
template <class M>
class Fitter {
 public:
  Fitter(const M& start,
         const Eigen::Matrix2Xd& ideal,
         const Eigen::Matrix2Xd& plate,
         const Point2d& scale_px)
      : start_(Eigen::Map<const Eigen::VectorXd>(start.parameters().data(), M::kNumParameters)),
        ideal_(ideal),
        plate_(plate),
        scale_px_(scale_px) {}

  [[nodiscard]] std::optional<Eigen::VectorXd> solved() const {
    Eigen::VectorXd at = start_;
    Eigen::VectorXd misses = misses_at(at);
    if (!misses.allFinite()) return std::nullopt;
    double damping = 1e-6;
    for (int step = 0; step < kMostSteps; ++step) {
      const Eigen::MatrixXd jacobian = jacobian_at(at);
      if (!jacobian.allFinite()) return std::nullopt;
      const Eigen::VectorXd effect = jacobian.colwise().norm();
      bool better = false;
      for (int trial = 0; trial < 10 && !better; ++trial) {
        const Eigen::VectorXd move = damped_step(jacobian, misses, effect, at, damping);
        const Eigen::VectorXd next = at + move;
        const Eigen::VectorXd next_misses = misses_at(next);
        const double moved_px = (jacobian * move).cwiseAbs().maxCoeff();
        better = next_misses.allFinite() &&
                 cost(next_misses, next, effect) <= cost(misses, at, effect) * (1.0 + 1e-12);
        if (better) {
          at = next;
          misses = next_misses;
          damping = std::max(0.1 * damping, 1e-12);
          if (moved_px < kSettledPx) return at;
        } else {
          damping = std::max(10.0 * damping, 1e-8);
        }
      }
      if (!better) return at;
    }
    return at;
  }

  [[nodiscard]] Eigen::VectorXd misses_at(const Eigen::VectorXd& parameters) const {
    Eigen::VectorXd misses(2 * ideal_.cols());
    for (Index i = 0; i < ideal_.cols(); ++i) {
      const Point2d p = ideal_.col(i);
      const Point2d image = M::distort(p, parameters.data());
      misses.segment<2>(2 * i) = (image - plate_.col(i)).cwiseProduct(scale_px_);
    }
    return misses;
  }

 private:
  /// The half sizes of a spline field say where its controls are; they are not fitted.
  static bool is_held(Index parameter) {
    if constexpr (std::is_same_v<M, lens::SplineField>) {
      return parameter == M::kHalfWidth || parameter == M::kHalfHeight;
    }
    return false;
  }

  [[nodiscard]] Eigen::MatrixXd jacobian_at(const Eigen::VectorXd& parameters) const {
    Eigen::MatrixXd jacobian = Eigen::MatrixXd::Zero(2 * ideal_.cols(), parameters.size());
    for (Index k = 0; k < parameters.size(); ++k) {
      if (is_held(k)) continue;
      const double step = 1e-5 * std::max(1.0, std::abs(parameters[k]));
      Eigen::VectorXd moved = parameters;
      moved[k] = parameters[k] + step;
      jacobian.col(k) = misses_at(moved);
      moved[k] = parameters[k] - step;
      jacobian.col(k) = (jacobian.col(k) - misses_at(moved)) / (2.0 * step);
    }
    return jacobian;
  }

  [[nodiscard]] Eigen::VectorXd damped_step(const Eigen::MatrixXd& jacobian,
                                            const Eigen::VectorXd& misses,
                                            const Eigen::VectorXd& effect,
                                            const Eigen::VectorXd& at,
                                            double damping) const {
    const Index rows = jacobian.rows();
    const Index count = jacobian.cols();
    Eigen::MatrixXd left = Eigen::MatrixXd::Zero(rows + 2 * count, count);
    Eigen::VectorXd right = Eigen::VectorXd::Zero(rows + 2 * count);
    left.topRows(rows) = jacobian;
    right.head(rows) = -misses;
    for (Index k = 0; k < count; ++k) {
      // What has no effect at all stays where it is.
      const double weight = effect[k] > 0.0 ? effect[k] : 1.0;
      left(rows + k, k) = kStay * weight;
      right[rows + k] = -kStay * weight * (at[k] - start_[k]);
      left(rows + count + k, k) = std::sqrt(damping) * weight;
    }
    return full_rank_least_squares(left, right);
  }

  [[nodiscard]] double cost(const Eigen::VectorXd& misses,
                            const Eigen::VectorXd& at,
                            const Eigen::VectorXd& effect) const {
    return misses.squaredNorm() + (kStay * effect).cwiseProduct(at - start_).squaredNorm();
  }

  Eigen::VectorXd start_;
  const Eigen::Matrix2Xd& ideal_;
  const Eigen::Matrix2Xd& plate_;
  Point2d scale_px_;
};

}  // namespace

std::optional<Refit> refit(const lens::Model& start,
                           const Eigen::Matrix2Xd& ideal,
                           const Eigen::Matrix2Xd& plate,
                           const Point2d& scale_px) {
  return std::visit(
      [&]<class M>(const M& model) -> std::optional<Refit> {
        const Fitter<M> fitter(model, ideal, plate, scale_px);
        const std::optional<Eigen::VectorXd> found = fitter.solved();
        if (!found || !found->allFinite()) return std::nullopt;
        const Result<lens::Model> made =
            lens::make_model(M::kName, {found->data(), static_cast<std::size_t>(found->size())});
        if (!made) return std::nullopt;
        for (Index i = 0; i < ideal.cols(); ++i) {
          if (!lens::distort(*made, ideal.col(i))) return std::nullopt;
        }
        const Eigen::VectorXd misses = fitter.misses_at(*found);
        const Eigen::VectorXd squares =
            misses.reshaped(2, ideal.cols()).colwise().squaredNorm().transpose();
        return Refit{*made, std::sqrt(squares.mean()), std::sqrt(squares.maxCoeff())};
      },
      start);
}

}  // namespace trueplate::zoom::detail
