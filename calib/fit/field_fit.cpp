#include "calib/fit/field_fit.h"

#include <ceres/ceres.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <memory>
#include <optional>
#include <utility>

#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/spline_prior.h"
#include "calib/lens/model.h"
#include "calib/lens/spline_field.h"

namespace trueplate::fit {
namespace {

constexpr std::size_t kLeastPlaces = 20;
/// The ratio of the focal lengths, which a field without distortion leaves open, is pulled towards
/// its start by this many pixels for a ratio of 2: far below what a lens does.
constexpr double kRatioPullPx = 1e-3;
/// Without noise to be smoothed the spline field is as soft as its prior allows.
constexpr detail::Stiffness kSoftest{.round_px = 1e-4, .field_px = 1e-4};

using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

/// Which of the pinhole's numbers are fitted along with principal point and coefficients.
enum class Focal { kRatio, kBoth };

/// Logarithms of the straight picture's scales, and its shifts over the focal lengths.
constexpr int kNumStraight = 4;

/// Residuals of all places, and of what is believed of the coefficients. Parameters: focal x, y,
/// principal point x, y, coefficients; and those of the straight picture.
class FieldCost : public ceres::CostFunction {
 public:
  FieldCost(std::span<const FieldPoint> field,
            const detail::ModelKernel& kernel,
            Point2d focal_px,
            Focal focal)
      : field_(field),
        kernel_(kernel),
        prior_(detail::prior_of(kernel)),
        ratio_(focal_px.y() / focal_px.x()),
        focal_x_(focal_px.x()),
        focal_(focal) {
    mutable_parameter_block_sizes()->push_back(kernel.num_intrinsics());
    mutable_parameter_block_sizes()->push_back(kNumStraight);
    const auto places = static_cast<int>(2 * field.size());
    set_num_residuals(places + static_cast<int>(prior_.rows.rows()) + 2 + kNumStraight);
  }

  bool Evaluate(double const* const* parameters,
                double* residuals,
                double** jacobians) const override {
    const int count = kernel_.num_intrinsics();
    const int coefficients = count - detail::kNumPinhole;
    const double* p = parameters[0];
    const Point2d focal(p[0], p[1]);
    const Point2d centre(p[2], p[3]);
    const double* straight = parameters[1];
    const Point2d scale(std::exp(straight[0]), std::exp(straight[1]));
    const Point2d shift(straight[2], straight[3]);
    double* jacobian = jacobians != nullptr ? jacobians[0] : nullptr;
    double* by_straight = jacobians != nullptr ? jacobians[1] : nullptr;
    Eigen::VectorXd by_coefficients(2 * coefficients);
    Eigen::Index row = 0;
    for (const FieldPoint& place : field_) {
      const Point2d ideal =
          ((place.straight_px - centre).cwiseQuotient(focal) - shift).cwiseQuotient(scale);
      Point2d distorted;
      Eigen::Matrix<double, 2, 2, Eigen::RowMajor> by_ideal;
      kernel_.distort(ideal.data(),
                      p + detail::kNumPinhole,
                      distorted.data(),
                      by_ideal.data(),
                      by_coefficients.data());
      for (int axis = 0; axis < 2; ++axis, ++row) {
        residuals[row] = focal[axis] * distorted[axis] + centre[axis] - place.plate_px[axis];
        if (!std::isfinite(residuals[row])) return false;
        for (int other = 0; other < 2 && by_straight != nullptr; ++other) {
          double* d = by_straight + row * kNumStraight;
          const double by_place = focal[axis] * by_ideal(axis, other);
          d[other] = -by_place * ideal[other];
          d[2 + other] = -by_place / scale[other];
        }
        if (jacobian == nullptr) continue;
        double* d = jacobian + row * count;
        for (int other = 0; other < 2; ++other) {
          const double by_place =
              focal[axis] * by_ideal(axis, other) / (focal[other] * scale[other]);
          const double from_centre = (place.straight_px[other] - centre[other]) / focal[other];
          d[other] = -by_place * from_centre + (axis == other ? distorted[axis] : 0.0);
          d[2 + other] = (axis == other ? 1.0 : 0.0) - by_place;
        }
        for (int k = 0; k < coefficients; ++k) {
          d[detail::kNumPinhole + k] = focal[axis] * by_coefficients[axis * coefficients + k];
        }
      }
    }
    add_beliefs(p, residuals, jacobian, row);
    row += prior_.rows.rows() + 2;
    // Scale and shift, which a field without distortion leaves open, are pulled as the ratio is.
    for (int i = 0; i < kNumStraight; ++i) residuals[row + i] = kRatioPullPx * straight[i];
    if (jacobian != nullptr) std::fill_n(jacobian + row * count, kNumStraight * count, 0.0);
    if (by_straight != nullptr) {
      const Eigen::Index before = prior_.rows.rows() + 2;
      std::fill_n(
          by_straight + (row - before) * kNumStraight, (before + kNumStraight) * kNumStraight, 0.0);
      for (int i = 0; i < kNumStraight; ++i) {
        by_straight[(row + i) * kNumStraight + i] = kRatioPullPx;
      }
    }
    return true;
  }

 private:
  void add_beliefs(const double* p, double* residuals, double* jacobian, Eigen::Index row) const {
    const int count = kernel_.num_intrinsics();
    const Eigen::Map<const Eigen::VectorXd> all(p, count);
    const Eigen::Index of_prior = prior_.rows.rows();
    Eigen::Map<Eigen::VectorXd>(residuals + row, of_prior) = prior_.residuals(all);
    const Eigen::Index pull = row + of_prior;
    // Focal x stays where it is, or nearly; focal y follows it.
    const double held = focal_ == Focal::kRatio ? 1e6 : kRatioPullPx;
    residuals[pull] = held * (p[0] / focal_x_ - 1.0);
    residuals[pull + 1] = kRatioPullPx * (p[1] / (ratio_ * p[0]) - 1.0);
    if (jacobian == nullptr) return;
    Eigen::Map<RowMajor> d(jacobian + row * count, of_prior + 2, count);
    d.setZero();
    d.topRightCorner(of_prior, prior_.rows.cols()) = prior_.rows;
    d(of_prior, 0) = held / focal_x_;
    d(of_prior + 1, 0) = -kRatioPullPx * p[1] / (ratio_ * p[0] * p[0]);
    d(of_prior + 1, 1) = kRatioPullPx / (ratio_ * p[0]);
  }

  std::span<const FieldPoint> field_;
  const detail::ModelKernel& kernel_;
  detail::CoefficientPrior prior_;
  double ratio_;
  double focal_x_;
  Focal focal_;
};

/// How a lens meets the field; nullopt where a place lies outside its domain.
struct Misses {
  double rms_px = 0.0;
  double max_px = 0.0;
  Point2d max_at_px = {0.0, 0.0};
};
std::optional<Misses> misses_of(const lens::Lens& lens,
                                const StraightPlace& straight,
                                std::span<const FieldPoint> field) {
  Misses result;
  double sum = 0.0;
  for (const FieldPoint& place : field) {
    const Point2d from_centre = place.straight_px - lens.principal_point_px - straight.shift_px;
    const std::optional<Point2d> found =
        lens::distort_px(lens, lens.principal_point_px + from_centre.cwiseQuotient(straight.scale));
    if (!found) return std::nullopt;
    const double miss = (*found - place.plate_px).norm();
    sum += miss * miss;
    if (miss < result.max_px) continue;
    result.max_px = miss;
    result.max_at_px = place.plate_px;
  }
  result.rms_px = std::sqrt(sum / static_cast<double>(field.size()));
  return result;
}

struct Solution {
  Eigen::VectorXd intrinsics;
  StraightPlace straight;
};

/// The least squares from a start; nullopt when there are none.
std::optional<Solution> solved(std::span<const FieldPoint> field,
                               const detail::ModelKernel& kernel,
                               const FieldFitOptions& options,
                               bool frees_straight,
                               Eigen::VectorXd intrinsics) {
  double straight[kNumStraight] = {};
  ceres::Problem problem;
  // Where the straight picture has a scale of its own, a fisheye's field tells the focal length no
  // more than others do.
  const bool holds_focal = kernel.begins_as_pinhole || frees_straight;
  const Focal focal = holds_focal ? Focal::kRatio : Focal::kBoth;
  problem.AddResidualBlock(
      new FieldCost(field, kernel, options.focal_px, focal), nullptr, intrinsics.data(), straight);
  if (!frees_straight) problem.SetParameterBlockConstant(straight);
  ceres::Solver::Options solver;
  solver.linear_solver_type = ceres::DENSE_QR;
  solver.max_num_iterations = 200;
  solver.function_tolerance = 1e-12;
  solver.parameter_tolerance = 1e-12;
  solver.gradient_tolerance = 1e-14;
  solver.logging_type = ceres::SILENT;
  ceres::Solver::Summary summary;
  ceres::Solve(solver, &problem, &summary);
  if (!summary.IsSolutionUsable() || !intrinsics.allFinite()) return std::nullopt;
  const StraightPlace place{.scale = {std::exp(straight[0]), std::exp(straight[1])},
                            .shift_px = {straight[2] * intrinsics[0], straight[3] * intrinsics[1]}};
  if (!place.scale.allFinite() || !place.shift_px.allFinite()) return std::nullopt;
  return Solution{std::move(intrinsics), place};
}

struct Candidate {
  lens::Lens lens;
  StraightPlace straight;
  Misses misses;
};

class FieldFitter {
 public:
  FieldFitter(std::span<const FieldPoint> field,
              const FieldFitOptions& options,
              bool frees_straight)
      : field_(field), options_(options), frees_straight_(frees_straight) {}

  /// The best fit of a model over its starts; nullopt when none meets the whole field.
  std::optional<Candidate> fit(std::string_view model) const {
    const detail::ModelKernel& kernel = *detail::find_kernel(model);
    if (kernel.make_prior != nullptr) return fit_with_prior(kernel);
    std::optional<Candidate> best;
    for (const Eigen::VectorXd& start : starts(kernel)) keep_better(best, kernel, start);
    return best;
  }

 private:
  /// The pinhole, without coefficients.
  [[nodiscard]] Eigen::VectorXd pinhole(const detail::ModelKernel& kernel) const {
    Eigen::VectorXd start = Eigen::VectorXd::Zero(kernel.num_intrinsics());
    start.head<2>() = options_.focal_px;
    start.segment<2>(2) = 0.5 * Point2d(options_.plate_size.width, options_.plate_size.height);
    return start;
  }

  [[nodiscard]] std::vector<Eigen::VectorXd> starts(const detail::ModelKernel& kernel) const {
    std::vector<Eigen::VectorXd> result;
    if (kernel.begins_as_pinhole) {
      result.push_back(pinhole(kernel));
    } else {
      for (const double share : {0.25, 0.5, 1.0}) {
        result.push_back(pinhole(kernel));
        result.back().head<2>() *= share;
      }
    }
    if (!kernel.grows_from.empty()) {
      const std::optional<Candidate> simpler = fit(kernel.grows_from);
      if (simpler) result.push_back(grown(kernel, *simpler));
    }
    return result;
  }

  [[nodiscard]] Eigen::VectorXd grown(const detail::ModelKernel& kernel,
                                      const Candidate& simpler) const {
    Eigen::VectorXd start = pinhole(kernel);
    start.head<2>() = simpler.lens.focal_px;
    start.segment<2>(2) = simpler.lens.principal_point_px;
    const std::span<const double> known = lens::parameters(simpler.lens.model);
    kernel.grown(known.data(), start.data() + detail::kNumPinhole);
    return start;
  }

  void keep_better(std::optional<Candidate>& best,
                   const detail::ModelKernel& kernel,
                   const Eigen::VectorXd& start) const {
    const std::optional<Solution> found = solved(field_, kernel, options_, frees_straight_, start);
    if (!found) return;
    const Result<lens::Lens> lens = detail::lens_of(kernel, found->intrinsics, options_.plate_size);
    // A mirrored field is met by a negative focal length, which no lens has.
    if (!lens || !lens::validate(*lens)) return;
    const std::optional<Misses> misses = misses_of(*lens, found->straight, field_);
    if (!misses || (best && best->misses.rms_px <= misses->rms_px)) return;
    best = Candidate{*lens, found->straight, *misses};
  }

  [[nodiscard]] std::optional<Candidate> fit_with_prior(const detail::ModelKernel& plain) const {
    const std::optional<Candidate> simpler = fit(plain.grows_from);
    if (!simpler) return std::nullopt;
    std::vector<Point2d> seen_px;
    for (const FieldPoint& place : field_) seen_px.push_back(place.plate_px);
    const detail::CoefficientPrior prior = plain.make_prior(simpler->lens, kSoftest, seen_px);
    detail::ModelKernel kernel = plain;
    kernel.prior = &prior;
    Eigen::VectorXd start = pinhole(kernel);
    start.tail(prior.at.size()) = prior.at;
    const std::span<const double> known = lens::parameters(simpler->lens.model);
    start.head<2>() = simpler->lens.focal_px;
    start.segment<2>(2) = simpler->lens.principal_point_px;
    kernel.grown(known.data(), start.data() + detail::kNumPinhole);
    std::optional<Candidate> best;
    keep_better(best, kernel, start);
    return best;
  }

  std::span<const FieldPoint> field_;
  const FieldFitOptions& options_;
  bool frees_straight_;
};

Result<void> check(std::span<const FieldPoint> field, const FieldFitOptions& options) {
  if (field.size() < kLeastPlaces) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a field of {} places, wanted {} or more", field.size(), kLeastPlaces));
  }
  for (const FieldPoint& place : field) {
    if (place.straight_px.allFinite() && place.plate_px.allFinite()) continue;
    return fail(ErrorCode::kInvalidInput, "a place of the field is not finite");
  }
  if (!(options.noise_px >= 0.0 && std::isfinite(options.noise_px))) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("noise of the field is {} px, wanted 0 or more", options.noise_px));
  }
  lens::Lens pinhole;
  pinhole.plate_size = options.plate_size;
  pinhole.focal_px = options.focal_px;
  if (Result<void> valid = lens::validate(pinhole); !valid) return valid;
  if (options.model == "auto" || detail::find_kernel(options.model) != nullptr) return {};
  const Result<lens::Model> unknown = lens::make_model(options.model, {});
  return fail(unknown ? Error{ErrorCode::kInvalidInput, options.model} : unknown.error());
}

/// Whether a larger model meets the field better than a smaller one: by a tenth of what the smaller
/// one misses beyond the field's noise, and by more than its coefficients take from noise alone.
///
/// With N places of which noise of variance v per axis is known, k coefficients more lower the sum
/// of squares by v chi^2(k), of mean k and standard deviation sqrt(2k) (standard theory of least
/// squares); asked are 5 of those.
bool is_nearer(const Candidate& larger,
               const Candidate& smaller,
               std::size_t num_places,
               double noise_px) {
  constexpr double kLeastGain = 0.9;
  const auto square = [](double x) { return x * x; };
  const auto beyond_noise = [&](const Candidate& one) {
    return std::max(0.0, square(one.misses.rms_px) - square(noise_px));
  };
  if (!(beyond_noise(larger) < square(kLeastGain) * beyond_noise(smaller))) return false;
  const auto size = [](const Candidate& one) {
    return static_cast<double>(lens::parameters(one.lens.model).size());
  };
  const double more = std::max(1.0, size(larger) - size(smaller));
  const double gain = static_cast<double>(num_places) *
                      (square(smaller.misses.rms_px) - square(larger.misses.rms_px));
  return gain > 0.5 * square(noise_px) * (more + 5.0 * std::sqrt(2.0 * more));
}

/// The formulas, those of fewer parameters first, then the spline field.
std::vector<const detail::ModelKernel*> models_in_order() {
  std::vector<const detail::ModelKernel*> models;
  for (const detail::ModelKernel& kernel : detail::kernel_table()) models.push_back(&kernel);
  std::stable_sort(models.begin(), models.end(), [](const auto* a, const auto* b) {
    return a->num_intrinsics() < b->num_intrinsics();
  });
  return models;
}

bool is_good_enough(const Candidate& candidate) {
  return candidate.misses.max_px <= kFieldGoodEnoughPx;
}

/// The first that is good enough, else the nearest; nullopt when there is none.
std::optional<std::size_t> choose(std::span<const std::optional<Candidate>> candidates,
                                  std::size_t num_places,
                                  double noise_px) {
  // What one of them meets is not noise, whatever was thought.
  for (const std::optional<Candidate>& candidate : candidates) {
    if (candidate) noise_px = std::min(noise_px, candidate->misses.rms_px);
  }
  std::optional<std::size_t> best;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    if (!candidates[i]) continue;
    if (is_good_enough(*candidates[i])) return i;
    if (!best || is_nearer(*candidates[i], *candidates[*best], num_places, noise_px)) best = i;
  }
  return best;
}

FieldTrial trial_of(std::string_view model,
                    const std::optional<Candidate>& candidate,
                    bool was_settled) {
  FieldTrial trial;
  trial.model = model;
  if (candidate) {
    trial.rms_px = candidate->misses.rms_px;
    trial.max_px = candidate->misses.max_px;
    trial.reason = "another model is nearer, or as near with fewer coefficients";
  } else if (was_settled) {
    trial.rms_px = trial.max_px = std::numeric_limits<double>::quiet_NaN();
    trial.reason = "not tried: a simpler model is good enough";
  } else {
    trial.rms_px = trial.max_px = std::numeric_limits<double>::infinity();
    trial.reason = "no lens of this model meets the whole field without folding";
  }
  return trial;
}

/// All models wanted, and which of them is taken.
struct Trials {
  std::vector<FieldTrial> list;
  std::optional<Candidate> best;
};

Trials trials_of(std::span<const FieldPoint> field,
                 const FieldFitOptions& options,
                 bool frees_straight) {
  const FieldFitter fitter(field, options, frees_straight);
  Trials trials;
  std::vector<std::optional<Candidate>> candidates;
  bool settled = false;
  for (const detail::ModelKernel* kernel : models_in_order()) {
    if (options.model != "auto" && options.model != kernel->model) continue;
    candidates.push_back(settled ? std::nullopt : fitter.fit(kernel->model));
    const std::optional<Candidate>& candidate = candidates.back();
    trials.list.push_back(trial_of(kernel->model, candidate, settled));
    settled |= candidate && is_good_enough(*candidate);
  }
  const std::optional<std::size_t> chosen = choose(candidates, field.size(), options.noise_px);
  if (!chosen) return trials;
  trials.list[*chosen].chosen = true;
  trials.list[*chosen].reason.clear();
  trials.best = candidates[*chosen];
  return trials;
}

/// Whether the straight picture's own place explains what no lens does without.
bool is_worth_it(const std::optional<Candidate>& freed, const std::optional<Candidate>& plain) {
  if (!freed || !plain) return freed.has_value();
  return is_good_enough(*freed) || freed->misses.rms_px < 0.5 * plain->misses.rms_px;
}

}  // namespace

Result<FieldFit> fit_field(std::span<const FieldPoint> field, const FieldFitOptions& options) {
  if (Result<void> good = check(field, options); !good) return fail(good.error());
  Trials trials = trials_of(field, options, false);
  FieldFit result;
  if (options.frees_straight_picture && !(trials.best && is_good_enough(*trials.best))) {
    Trials freed = trials_of(field, options, true);
    if (is_worth_it(freed.best, trials.best)) {
      trials = std::move(freed);
      result.straight = trials.best->straight;
    }
  }
  if (!trials.best) {
    return fail(ErrorCode::kNotConverged,
                "no lens meets the field without folding; is it the map of a lens at all?");
  }
  const Candidate& best = *trials.best;
  result.trials = std::move(trials.list);
  result.lens = best.lens;
  result.rms_px = best.misses.rms_px;
  result.max_px = best.misses.max_px;
  result.max_at_px = best.misses.max_at_px;
  return result;
}

}  // namespace trueplate::fit
