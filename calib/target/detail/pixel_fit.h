#pragma once

#include <Eigen/Cholesky>
#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <vector>

namespace trueplate::target::detail {

/// A pixel in a fit: its place relative to where the fit started, so that single digits remain.
struct FitPixel {
  double x = 0.0;
  double y = 0.0;
  double value = 0.0;
  double weight = 0.0;
};

/// 1 in the middle of a window, falling smoothly to 0 at |t| = 1.
[[nodiscard]] inline double taper(double t) {
  constexpr double kStart = 0.6;
  const double a = std::abs(t);
  if (a <= kStart) return 1.0;
  if (a >= 1.0) return 0.0;
  return 0.5 * (1.0 + std::cos(std::numbers::pi * (a - kStart) / (1.0 - kStart)));
}

/// Every how many columns and rows of a window of `area` pixels a pixel is taken, so that about
/// `most` remain (0: all), yet few enough apart that an edge of this blur is still seen; blur 0:
/// not known.
[[nodiscard]] inline int thinning(double area, int most, double blur_px) {
  constexpr double kMostBlurs = 2.5;
  constexpr int kUnknownBlurStep = 2;
  if (most <= 0 || !(area > most)) return 1;
  const int wanted = static_cast<int>(std::ceil(std::sqrt(area / most) - 0.25));
  const int most_step = blur_px > 0.0 ? static_cast<int>(kMostBlurs * blur_px) : kUnknownBlurStep;
  return std::max(1, std::min(wanted, most_step));
}

/// The fit works on (value - offset) / factor, so that no range of the image is special.
struct ValueScale {
  double offset = 0.0;
  double factor = 0.0;  // 0: the pixels are all alike
};

[[nodiscard]] inline ValueScale measure_scale(const std::vector<FitPixel>& pixels) {
  ValueScale scale;
  if (pixels.empty()) return scale;
  for (const FitPixel& pixel : pixels) scale.offset += pixel.value;
  scale.offset /= static_cast<double>(pixels.size());
  for (const FitPixel& pixel : pixels)
    scale.factor += (pixel.value - scale.offset) * (pixel.value - scale.offset);
  scale.factor = std::sqrt(scale.factor / static_cast<double>(pixels.size()));
  if (!std::isfinite(1.0 / scale.factor)) scale.factor = 0.0;
  return scale;
}

inline void apply(const ValueScale& scale, std::vector<FitPixel>& pixels) {
  for (FitPixel& pixel : pixels) pixel.value = (pixel.value - scale.offset) / scale.factor;
}

/// What is asked of one unknown.
struct UnknownRule {
  double low = -std::numeric_limits<double>::infinity();
  double high = std::numeric_limits<double>::infinity();
  double most_step = std::numeric_limits<double>::infinity();  // in one iteration
  /// What is expected of it, weighted as one more pixel that would know it to `prior_width`:
  /// without influence where the pixels tell, decisive where they leave it open. Width 0: none.
  double prior = 0.0;
  double prior_width = 0.0;
};

/// Least squares of a model of an image,
///     value(x, y) = model(unknowns; x, y),
/// over weighted pixels: Levenberg-Marquardt with the model's own derivatives. A Model has
///     static constexpr int kNumUnknowns      the first two are the position, px
///     static constexpr int kNumNonlinear     come first; the others enter linearly
///     Model(unknowns, known)
///     double at(double x, double y, Unknowns* row) const    derivatives when row is not null
template <class Model, class Known>
class PixelFit {
 public:
  static constexpr int kCount = Model::kNumUnknowns;
  static constexpr int kNonlinear = Model::kNumNonlinear;
  static constexpr int kLinear = kCount - kNonlinear;
  using Unknowns = Eigen::Matrix<double, kCount, 1>;
  using Normal = Eigen::Matrix<double, kCount, kCount>;
  /// Of linear unknowns only the prior counts.
  using Rules = std::array<UnknownRule, kCount>;

  struct Outcome {
    bool converged = false;
    double last_step_px = std::numeric_limits<double>::infinity();
    Normal normal = Normal::Zero();  // without priors
    double cost = 0.0;               // without priors
  };

  PixelFit(const std::vector<FitPixel>& pixels, const Known& known)
      : pixels_(pixels), known_(known) {
    for (const FitPixel& pixel : pixels_) sum_weight_ += pixel.weight;
  }

  [[nodiscard]] double sum_weight() const { return sum_weight_; }

  /// Sets the linear unknowns to their best values at the others; returns the cost.
  double solve_linear(Unknowns& p) const {
    using Vector = Eigen::Matrix<double, kLinear, 1>;
    using Matrix = Eigen::Matrix<double, kLinear, kLinear>;
    const Model model(p, known_);
    Matrix normal = Matrix::Zero();
    Vector right = Vector::Zero();
    double sum = 0.0;
    Unknowns row;
    for (const FitPixel& pixel : pixels_) {
      model.at(pixel.x, pixel.y, &row);
      const Vector j = row.template tail<kLinear>();
      normal.noalias() += pixel.weight * j * j.transpose();
      right += pixel.weight * pixel.value * j;
      sum += pixel.weight * pixel.value * pixel.value;
    }
    normal.diagonal().array() *= 1.0 + 1e-9;
    const Vector solution = normal.ldlt().solve(right);
    p.template tail<kLinear>() = solution;
    return std::max(0.0, sum - solution.dot(right));
  }

  Outcome minimise(const Rules& rules, double enough_px, Unknowns& p) const {
    constexpr int kMaxIterations = 25;
    constexpr double kFirstDamping = 1e-4;
    // A gain of cost / weight is one standard deviation: this is 0.05 of it.
    constexpr double kNegligibleGain = 0.0025;
    Outcome outcome;
    Equations equations = equations_at(p);
    const double noise2 = equations.cost / sum_weight_;
    add_priors(rules, noise2, p, equations);
    double damping = kFirstDamping;
    for (int iteration = 0; iteration < kMaxIterations; ++iteration) {
      Unknowns step = solve(equations, rules, damping, p);
      if (!step.allFinite()) break;
      double excess = 1.0;
      for (int i = 0; i < kNonlinear; ++i)
        excess = std::max(excess, std::abs(step[i]) / rules[static_cast<std::size_t>(i)].most_step);
      step /= excess;
      Unknowns candidate = p + step;
      for (int i = 0; i < kNonlinear; ++i) {
        const UnknownRule& rule = rules[static_cast<std::size_t>(i)];
        candidate[i] = std::clamp(candidate[i], rule.low, rule.high);
      }
      const bool last =
          step.template head<2>().norm() < enough_px &&
          step.template segment<kNonlinear - 2>(2).cwiseAbs().maxCoeff() < 20.0 * enough_px;
      Equations next = equations_at(candidate);
      add_priors(rules, noise2, candidate, next);
      bool negligible = false;
      if (next.cost <= equations.cost) {
        // Less damping where the model predicted the gain well, more where it did not (Nielsen
        // 1999).
        const double predicted = step.dot(equations.right) +
                                 damping * step.dot(equations.normal.diagonal().cwiseProduct(step));
        const double gain = equations.cost - next.cost;
        const double quality = predicted > 0.0 ? gain / predicted : 1.0;
        negligible = gain <= kNegligibleGain * equations.cost / sum_weight_;
        p = candidate;
        equations = next;
        outcome.last_step_px = step.template head<2>().norm();
        damping *= std::max(0.1, 1.0 - std::pow(2.0 * quality - 1.0, 3));
        damping = std::max(kFirstDamping, damping);
      } else if (!last) {
        damping *= 10.0;
        if (damping > 1e8) break;
      }
      if (last || negligible) {
        outcome.converged = true;
        break;
      }
    }
    const Equations plain = equations_at(p);
    outcome.normal = plain.normal;
    outcome.cost = plain.cost;
    return outcome;
  }

  /// Covariance of the position from the residuals themselves, normal^-1 (sum w^2 r^2 j j')
  /// normal^-1: it stays honest when residuals are larger along the edges (sharpening, tone) than
  /// in the flat parts, where a common variance would not. Averaged with the common-variance form,
  /// which scatters less; scaled for the unknowns the fit has used up.
  [[nodiscard]] Eigen::Matrix2d position_covariance(const Unknowns& p,
                                                    const Outcome& outcome,
                                                    const Rules& rules) const {
    const Model model(p, known_);
    Equations equations{outcome.normal, Unknowns::Zero(), outcome.cost};
    add_priors(rules, outcome.cost / sum_weight_, p, equations);
    Normal normal = equations.normal;
    normal.diagonal().array() += 1e-12 * normal.diagonal().maxCoeff();
    const Eigen::Matrix<double, kCount, 2> solve_position =
        normal.ldlt().solve(Normal::Identity()).template leftCols<2>();
    Eigen::Matrix2d common = Eigen::Matrix2d::Zero();
    Eigen::Matrix2d observed = Eigen::Matrix2d::Zero();
    double sum_weight2 = 0.0;
    Unknowns row;
    for (const FitPixel& pixel : pixels_) {
      const double r = pixel.value - model.at(pixel.x, pixel.y, &row);
      const Eigen::Vector2d gain = pixel.weight * (solve_position.transpose() * row);
      common += gain * gain.transpose();
      observed += r * r * gain * gain.transpose();
      sum_weight2 += pixel.weight * pixel.weight;
    }
    const double freedom = std::max(1.0, sum_weight_ - double{kCount} * sum_weight2 / sum_weight_);
    return 0.5 / freedom * (outcome.cost * common + sum_weight_ * observed);
  }

 private:
  struct Equations {
    Normal normal = Normal::Zero();  // sum of weight * row * row'
    Unknowns right = Unknowns::Zero();
    double cost = 0.0;
  };

  [[nodiscard]] Equations equations_at(const Unknowns& p) const {
    const Model model(p, known_);
    Equations equations;
    Unknowns row;
    for (const FitPixel& pixel : pixels_) {
      const double r = pixel.value - model.at(pixel.x, pixel.y, &row);
      const Unknowns weighted = pixel.weight * row;
      add_upper<0>(row, weighted, equations.normal);
      equations.right += r * weighted;
      equations.cost += pixel.weight * r * r;
    }
    equations.normal.template triangularView<Eigen::StrictlyLower>() = equations.normal.transpose();
    return equations;
  }

  // Adds weighted * row' from row kFirst on; of it the upper half, in blocks of rows that the
  // compiler turns into vector instructions.
  template <int kFirst>
  static void add_upper(const Unknowns& row, const Unknowns& weighted, Normal& normal) {
    constexpr int kRows = std::min(4, kCount - kFirst);
    for (int j = kFirst; j < kCount; ++j)
      normal.col(j).template segment<kRows>(kFirst) +=
          row[j] * weighted.template segment<kRows>(kFirst);
    if constexpr (kFirst + kRows < kCount) add_upper<kFirst + kRows>(row, weighted, normal);
  }

  static void add_priors(const Rules& rules,
                         double noise2,
                         const Unknowns& p,
                         Equations& equations) {
    for (int i = 0; i < kCount; ++i) {
      const UnknownRule& rule = rules[static_cast<std::size_t>(i)];
      if (!(rule.prior_width > 0.0)) continue;
      const double weight = noise2 / (rule.prior_width * rule.prior_width);
      const double off = p[i] - rule.prior;
      equations.normal(i, i) += weight;
      equations.right[i] -= weight * off;
      equations.cost += weight * off * off;
    }
  }

  static Unknowns solve(const Equations& equations,
                        const Rules& rules,
                        double damping,
                        const Unknowns& p) {
    Normal damped = equations.normal;
    damped.diagonal().array() *= 1.0 + damping;
    damped.diagonal().array() += 1e-12 * equations.normal.diagonal().maxCoeff();
    Unknowns right = equations.right;
    Unknowns step = damped.ldlt().solve(right);
    // An unknown at its bound that wants out stays there, and the others move without it.
    bool frozen = false;
    for (int i = 0; i < kNonlinear; ++i) {
      const UnknownRule& rule = rules[static_cast<std::size_t>(i)];
      if (!((p[i] <= rule.low && step[i] < 0.0) || (p[i] >= rule.high && step[i] > 0.0))) continue;
      right[i] = 0.0;
      damped.row(i).setZero();
      damped.col(i).setZero();
      damped(i, i) = 1.0;
      frozen = true;
    }
    return frozen ? Unknowns(damped.ldlt().solve(right)) : step;
  }

  const std::vector<FitPixel>& pixels_;
  const Known& known_;
  double sum_weight_ = 0.0;
};

}  // namespace trueplate::target::detail
