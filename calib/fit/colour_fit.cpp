#include "calib/fit/colour_fit.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

#include "calib/base/chance.h"
#include "calib/base/decompositions.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/map_uncertainty.h"
#include "calib/fit/detail/no_fold.h"
#include "calib/fit/detail/view_points.h"

namespace trueplate::fit {
namespace {

using detail::ModelKernel;
using detail::ViewPoints;

constexpr int kMaxSteps = 50;
constexpr int kRobustRounds = 3;
// Softening begins at this many robust standard deviations.
constexpr double kCauchySigmas = 2.0;
// Smallest singular value of the scaled columns, relative to the largest, that still tells
// parameters apart: far above rounding.
constexpr double kTellsApart = 1e-9;
// Of models that need a prior: what tells a colour's lens from green's is nearly round, which such
// priors leave free, so the rest may be stiff.
constexpr detail::Stiffness kColourStiffness{.round_px = 0.01, .field_px = 10.0};

using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

/// The rays as points in front of an unmoved camera, as kernels take the corners of a view.
ViewPoints rays_of(const lens::Lens& green, std::span<const ColourPair> pairs) {
  ViewPoints view;
  for (const ColourPair& pair : pairs) {
    const auto ray = lens::undistort_to_ray(green.model, lens::ideal_from_px(green, pair.green_px));
    if (!ray) continue;
    view.chart_mm.insert(view.chart_mm.end(), ray->data(), ray->data() + 3);
    view.plate_px.insert(view.plate_px.end(), {pair.colour_px.x(), pair.colour_px.y()});
    view.root_weight.push_back(1.0);
  }
  return view;
}

Eigen::VectorXd parameters_of(const lens::Lens& lens) {
  const std::span<const double> k = lens::parameters(lens.model);
  Eigen::VectorXd theta(detail::kNumPinhole + static_cast<Eigen::Index>(k.size()));
  theta.head<2>() = lens.focal_px;
  theta.segment<2>(2) = lens.principal_point_px;
  std::copy(k.begin(), k.end(), theta.data() + detail::kNumPinhole);
  return theta;
}

/// The model's prior, about green's coefficients.
detail::CoefficientPrior prior_about(const ModelKernel& kernel, const lens::Lens& green) {
  detail::CoefficientPrior prior = kernel.make_prior != nullptr
                                       ? kernel.make_prior(green, kColourStiffness, {})
                                       : detail::prior_of(kernel);
  prior.at = parameters_of(green).tail(prior.at.size());
  return prior;
}

/// The problem of one set of pairs: residuals and their derivatives by the parameters, and below
/// them those of the prior.
class Problem {
 public:
  Problem(const ModelKernel& kernel,
          const ViewPoints& view,
          const detail::CoefficientPrior& prior,
          const detail::LeastValues* growth = nullptr)
      : kernel_(kernel), view_(view), prior_(prior), growth_(growth) {}

  [[nodiscard]] Eigen::Index num_rows() const {
    return static_cast<Eigen::Index>(2 * view_.size());
  }

  [[nodiscard]] std::optional<Eigen::VectorXd> residuals(const Eigen::VectorXd& theta,
                                                         double cauchy_scale) const {
    const Eigen::VectorXd believed = detail::beliefs(prior_, growth_, theta).residuals;
    Eigen::VectorXd all(num_rows() + believed.size());
    if (!evaluate(theta, cauchy_scale, all.data(), nullptr)) return std::nullopt;
    all.tail(believed.size()) = believed;
    return all;
  }

  [[nodiscard]] std::optional<RowMajor> derivatives(const Eigen::VectorXd& theta,
                                                    double cauchy_scale) const {
    Eigen::VectorXd residuals(num_rows());
    const Eigen::MatrixXd believed = detail::beliefs(prior_, growth_, theta).by_coefficients;
    RowMajor all(num_rows() + believed.rows(), theta.size());
    if (!evaluate(theta, cauchy_scale, residuals.data(), all.data())) return std::nullopt;
    all.bottomLeftCorner(believed.rows(), detail::kNumPinhole).setZero();
    all.bottomRightCorner(believed.rows(), believed.cols()) = believed;
    return all;
  }

 private:
  bool evaluate(const Eigen::VectorXd& theta,
                double cauchy_scale,
                double* residuals,
                double* derivatives) const {
    constexpr double kUnmoved[detail::kNumPose] = {};
    return kernel_.evaluate(
        view_, theta.data(), Pose{}, kUnmoved, cauchy_scale, residuals, derivatives, nullptr);
  }

  const ModelKernel& kernel_;
  const ViewPoints& view_;
  const detail::CoefficientPrior& prior_;
  const detail::LeastValues* growth_;
};

Unexpected undetermined(std::size_t num_pairs, Eigen::Index num_parameters) {
  return fail(ErrorCode::kUndetermined,
              fmt::format("{} points measured, spread too little for the {} numbers of its lens; "
                          "wanted points over the whole frame",
                          num_pairs,
                          num_parameters));
}

/// The columns divided by their lengths, and these. nullopt when a column is zero.
std::optional<Eigen::VectorXd> scale_columns(RowMajor& jacobian) {
  const Eigen::VectorXd lengths = jacobian.colwise().norm().transpose();
  if (!lengths.allFinite() || !(lengths.minCoeff() > 0.0)) return std::nullopt;
  jacobian *= lengths.cwiseInverse().asDiagonal();
  return lengths;
}

/// Gauss and Newton's method with shortened steps; the start is near, the problem nearly linear.
std::optional<Eigen::VectorXd> minimise(const Problem& problem,
                                        Eigen::VectorXd theta,
                                        double cauchy_scale) {
  auto residuals = problem.residuals(theta, cauchy_scale);
  if (!residuals) return std::nullopt;
  for (int step = 0; step < kMaxSteps; ++step) {
    auto jacobian = problem.derivatives(theta, cauchy_scale);
    if (!jacobian) return std::nullopt;
    const auto lengths = scale_columns(*jacobian);
    if (!lengths) return std::nullopt;
    const Eigen::VectorXd move =
        full_rank_least_squares(*jacobian, -*residuals).cwiseQuotient(*lengths);
    if (!move.allFinite()) return std::nullopt;
    const double cost = residuals->squaredNorm();
    double gain = -1.0;
    for (double share = 1.0; share > 1e-6 && gain < 0.0; share *= 0.5) {
      const Eigen::VectorXd trial = theta + share * move;
      auto tried = problem.residuals(trial, cauchy_scale);
      if (!tried || !(tried->squaredNorm() <= cost)) continue;
      gain = cost - tried->squaredNorm();
      theta = trial;
      residuals = std::move(tried);
    }
    if (gain <= 1e-12 * cost) return theta;
  }
  return theta;
}

/// (J^T J)^-1, from the singular values of J; nullopt where they tell parameters not apart.
std::optional<Eigen::MatrixXd> inverse_information(const Problem& problem,
                                                   const Eigen::VectorXd& theta) {
  auto jacobian = problem.derivatives(theta, 0.0);
  if (!jacobian) return std::nullopt;
  const auto lengths = scale_columns(*jacobian);
  if (!lengths) return std::nullopt;
  const auto [values, axes] = right_singular_vectors(upper_factor(*jacobian));
  if (!(values.minCoeff() > kTellsApart * values.maxCoeff())) return std::nullopt;
  const Eigen::MatrixXd root =
      lengths->cwiseInverse().asDiagonal() * axes * values.cwiseInverse().asDiagonal();
  return Eigen::MatrixXd(root * root.transpose());
}

/// Standard deviation per coordinate from the median length, which half of the pairs cannot move.
double robust_sigma_px(const Eigen::VectorXd& residuals, Eigen::Index num_rows) {
  std::vector<double> lengths;
  for (Eigen::Index i = 0; i < num_rows; i += 2) lengths.push_back(residuals.segment<2>(i).norm());
  const auto middle = lengths.begin() + static_cast<std::ptrdiff_t>(lengths.size() / 2);
  std::nth_element(lengths.begin(), middle, lengths.end());
  // The median of a Rayleigh distribution.
  return std::max(*middle / std::sqrt(2.0 * std::log(2.0)), kLeastColourNoisePx);
}

/// The pairs that a robust fit keeps.
std::optional<ViewPoints> without_outliers(const ModelKernel& kernel,
                                           const ViewPoints& view,
                                           const detail::CoefficientPrior& prior,
                                           const Eigen::VectorXd& green,
                                           double limit_sigma) {
  const Problem problem(kernel, view, prior);
  Eigen::VectorXd theta = green;
  std::optional<Eigen::VectorXd> residuals = problem.residuals(theta, 0.0);
  for (int round = 0; round < kRobustRounds && residuals; ++round) {
    const double scale = kCauchySigmas * robust_sigma_px(*residuals, problem.num_rows());
    const auto better = minimise(problem, theta, scale);
    if (!better) return std::nullopt;
    theta = *better;
    residuals = problem.residuals(theta, 0.0);
  }
  if (!residuals) return std::nullopt;
  const double limit_px = limit_sigma * robust_sigma_px(*residuals, problem.num_rows());
  ViewPoints kept;
  for (std::size_t i = 0; i < view.size(); ++i) {
    if (residuals->segment<2>(static_cast<Eigen::Index>(2 * i)).norm() <= limit_px)
      kept.append(view, i);
  }
  return kept;
}

/// The lens that meets the pairs best without folding inside the frame.
std::optional<Eigen::VectorXd> minimise_without_fold(const ModelKernel& kernel,
                                                     const ViewPoints& view,
                                                     const detail::CoefficientPrior& prior,
                                                     const Eigen::VectorXd& green,
                                                     ImageSize plate_size) {
  std::optional<Eigen::VectorXd> theta = minimise(Problem(kernel, view, prior), green, 0.0);
  detail::GrowthHold hold(kernel);
  while (theta) {
    const Result<lens::Lens> lens = detail::lens_of(kernel, *theta, plate_size);
    if (!lens) return std::nullopt;
    if (detail::invertible_share_of_frame(*lens) == 1.0) return theta;
    if (!hold.tighten(*lens)) return std::nullopt;
    theta = minimise(Problem(kernel, view, prior, &hold.rows()), green, 0.0);
  }
  return std::nullopt;
}

ColourShift shift_of(const lens::Lens& green,
                     const lens::Lens& colour,
                     const Eigen::MatrixXd& covariance) {
  const detail::MapResponse response(colour, Absorbed::kNothing);
  ColourShift result;
  double squares = 0.0;
  double variances = 0.0;
  int count = 0;
  for (const Point2d& p_px : detail::plate_grid(green.plate_size)) {
    const auto ray = lens::undistort_to_ray(green.model, lens::ideal_from_px(green, p_px));
    if (!ray) continue;
    const auto p_distorted = lens::distort_ray(colour.model, *ray);
    if (!p_distorted) continue;
    const Point2d p_colour_px = lens::px_from_ideal(colour, *p_distorted);
    const auto j = response.at(p_colour_px);
    if (!j) continue;
    const Point2d shift = p_colour_px - p_px;
    const Eigen::Matrix2d here = *j * covariance * j->transpose();
    squares += shift.squaredNorm();
    variances += here.trace();
    ++count;
    if (count > 1 && shift.norm() <= result.max_px) continue;
    result.max_px = shift.norm();
    result.max_at_px = p_px;
    result.max_shift_px = shift;
    const Point2d along = shift.norm() > 0.0 ? Point2d(shift.normalized()) : Point2d(1.0, 0.0);
    result.max_sigma_px = std::sqrt(std::max(0.0, along.dot(here * along)));
  }
  if (count == 0) return result;
  result.rms_px = std::sqrt(squares / count);
  result.rms_sigma_px = std::sqrt(std::max(0.0, variances / count));
  return result;
}

}  // namespace

Result<ColourFit> fit_colour(const lens::Lens& green,
                             std::span<const ColourPair> pairs,
                             const FitOptions& options) {
  if (Result<void> valid = lens::validate(green); !valid) return fail(valid.error());
  const ModelKernel* kernel = detail::find_kernel(lens::model_name(green.model));
  if (kernel == nullptr) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("the lens model {} cannot be fitted", lens::model_name(green.model)));
  }
  for (const ColourPair& pair : pairs) {
    if (pair.green_px.allFinite() && pair.colour_px.allFinite()) continue;
    return fail(ErrorCode::kInvalidInput, "a measured place is not a finite number");
  }
  const Eigen::VectorXd theta_green = parameters_of(green);
  const Eigen::Index num_parameters = theta_green.size();
  const auto too_few = [&](std::size_t count) {
    return count < 2 * static_cast<std::size_t>(num_parameters);
  };
  const ViewPoints all = rays_of(green, pairs);
  if (too_few(all.size())) return undetermined(all.size(), num_parameters);
  const detail::CoefficientPrior prior = prior_about(*kernel, green);
  std::optional<ViewPoints> kept = all;
  if (options.rejection == Rejection::kRobust)
    kept = without_outliers(*kernel, all, prior, theta_green, options.rejection_limit_sigma);
  if (!kept || too_few(kept->size())) return undetermined(all.size(), num_parameters);

  const Problem problem(*kernel, *kept, prior);
  const auto theta = minimise_without_fold(*kernel, *kept, prior, theta_green, green.plate_size);
  if (!theta) return undetermined(kept->size(), num_parameters);
  const auto inverse = inverse_information(problem, *theta);
  const auto before = problem.residuals(theta_green, 0.0);
  const auto after = problem.residuals(*theta, 0.0);
  if (!inverse || !before || !after) return undetermined(kept->size(), num_parameters);

  Result<lens::Lens> lens = detail::lens_of(*kernel, *theta, green.plate_size);
  if (!lens) return fail(lens.error());
  ColourFit fit;
  fit.lens = green;
  fit.lens.focal_px = lens->focal_px;
  fit.lens.principal_point_px = lens->principal_point_px;
  fit.lens.model = lens->model;
  fit.num_pairs = static_cast<int>(kept->size());
  fit.num_rejected = static_cast<int>(all.size() - kept->size());
  const double squares = after->head(problem.num_rows()).squaredNorm();
  const double num_effective =
      static_cast<double>(num_parameters) - detail::num_held_by(prior, *inverse);
  const double num_free = static_cast<double>(problem.num_rows()) - num_effective;
  fit.rms_px = std::sqrt(squares / fit.num_pairs);
  fit.noise_sigma_px = std::max(std::sqrt(squares / num_free), kLeastColourNoisePx);
  fit.covariance = fit.noise_sigma_px * fit.noise_sigma_px * *inverse;
  fit.sigma = fit.covariance.diagonal().cwiseSqrt();
  fit.shift = shift_of(green, fit.lens, fit.covariance);
  const double gain = before->squaredNorm() - after->squaredNorm();
  const double f = gain / (num_effective * fit.noise_sigma_px * fit.noise_sigma_px);
  fit.shift.p_value = f > 0.0 ? f_tail(f, num_effective, num_free) : 1.0;
  fit.shift.significant = fit.shift.p_value < kSignificantColour;
  return fit;
}

}  // namespace trueplate::fit
