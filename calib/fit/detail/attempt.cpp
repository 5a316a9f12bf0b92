#include "calib/fit/detail/attempt.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/interrupt.h"
#include "calib/fit/detail/adjust_chart.h"

namespace trueplate::fit::detail {
namespace {

// Cauchy's loss at this many standard deviations keeps 95 % of the efficiency of least squares on
// Gaussian noise (P. J. Huber, Robust Statistics, and textbooks after it; value from memory).
constexpr double kCauchyTuning = 2.385;
// The first robust fit starts from poses that know no distortion: it has to be more forgiving.
constexpr double kFirstCauchyTuning = 6.0;
constexpr double kSmallestCauchyPx = 0.01;
constexpr int kMaxRejectionRounds = 6;
// How often the chart's terms are chosen: frames that come back for the first choice take part in
// the second.
constexpr int kMaxChartRounds = 2;

// A fit is worth comparing with one from another start when its residuals are larger than this
// share of the plate's diagonal (4 px on a 2K plate).
constexpr double kPoorFit = 0.002;

double cauchy_scale(const Frames& frames, double tuning) {
  return std::max(kSmallestCauchyPx, tuning * frames.robust_sigma_px());
}

class Fitter {
 public:
  Fitter(const ModelKernel& kernel, const FitOptions& options, const Screened& screened)
      : kernel_(kernel), options_(options), screened_(screened) {}

  Attempt run(const StartPinhole& start) const {
    Attempt attempt = begin(start);
    attempt.frames.update(attempt.state.intrinsics);
    if (!kernel_.begins_as_pinhole) {
      attempt.frames.retry_poses(Frames::Retry::kAll,
                                 attempt.state.intrinsics,
                                 cauchy_scale(attempt.frames, kFirstCauchyTuning));
    }
    if (attempt.frames.num_active() == 0) return attempt;

    if (options_.rejection == Rejection::kOff) {
      adjust_active(attempt, 0.0, 1e-12);
    } else {
      fit_robustly(attempt);
    }
    attempt.rating = attempt.converged ? attempt.frames.typical_residual_px(options_.rejection)
                                       : std::numeric_limits<double>::infinity();
    return attempt;
  }

 private:
  /// Coefficients of 0, or where their prior has them.
  Eigen::VectorXd first_intrinsics() const {
    Eigen::VectorXd result = Eigen::VectorXd::Zero(kernel_.num_intrinsics());
    if (kernel_.prior != nullptr) result.tail(kernel_.prior->at.size()) = kernel_.prior->at;
    return result;
  }

  /// Without distortion, or where a fit of the simpler model ends.
  Attempt begin(const StartPinhole& start) const {
    if (const std::optional<ModelKernel> simpler = simpler_kernel(kernel_)) {
      Attempt attempt = Fitter(*simpler, options_, screened_).run(start);
      if (attempt.converged && attempt.state.intrinsics.allFinite()) {
        Eigen::VectorXd intrinsics = first_intrinsics();
        intrinsics.head<kNumPinhole>() = attempt.state.intrinsics.head<kNumPinhole>();
        kernel_.grown(attempt.state.intrinsics.data() + kNumPinhole,
                      intrinsics.data() + kNumPinhole);
        attempt.state.intrinsics = std::move(intrinsics);
        attempt.frames.continue_with(kernel_);
        return attempt;
      }
    }
    Attempt attempt;
    attempt.start = start;
    attempt.state.intrinsics = first_intrinsics();
    attempt.state.intrinsics.head<4>() << start.pinhole.focal_px, start.pinhole.principal_point_px;
    attempt.frames = Frames(kernel_, screened_, start.pinhole);
    return attempt;
  }

  void adjust_active(Attempt& attempt, double cauchy_scale, double tolerance) const {
    const std::vector<const ViewPoints*> views = attempt.frames.fitted_views();
    attempt.state.poses = attempt.frames.active_poses();
    const AdjustSummary summary = adjust(kernel_,
                                         views,
                                         {.num_fixed = num_fixed(options_.focal_mode),
                                          .cauchy_scale = cauchy_scale,
                                          .cost_tolerance = tolerance},
                                         attempt.state);
    attempt.converged = summary.converged;
    attempt.sum_of_squares = summary.sum_of_squares;
    attempt.iterations += summary.iterations;
    attempt.frames.set_active_poses(attempt.state.poses);
    attempt.frames.update(attempt.state.intrinsics);
    attempt.state.poses = attempt.frames.active_poses();  // update() may have lost a frame
  }

  void fit_robustly(Attempt& attempt) const {
    const auto cauchy = [&](double tuning) { return cauchy_scale(attempt.frames, tuning); };
    adjust_active(attempt, cauchy(kFirstCauchyTuning), 1e-3);
    attempt.frames.retry_poses(
        Frames::Retry::kBad, attempt.state.intrinsics, cauchy(kCauchyTuning));
    adjust_active(attempt, cauchy(kCauchyTuning), 1e-5);
    attempt.frames.retry_poses(
        Frames::Retry::kBad, attempt.state.intrinsics, cauchy(kCauchyTuning));
    for (int round = 0; round < kMaxRejectionRounds; ++round) {
      attempt.frames.retry_poses(
          Frames::Retry::kInactive, attempt.state.intrinsics, cauchy(kCauchyTuning));
      const bool changed =
          attempt.frames.decide(options_.rejection_limit_sigma, options_.frame_limit_factor);
      if (attempt.frames.num_active() == 0) {
        attempt.converged = false;
        return;
      }
      // The first least-squares fit is needed even when nothing was rejected.
      if (round > 0 && !changed) return;
      adjust_active(attempt, 0.0, 1e-12);
      if (!attempt.converged) return;
    }
  }

  const ModelKernel& kernel_;
  const FitOptions& options_;
  const Screened& screened_;
};

/// The chart's terms stay, their values follow the corners and frames that are used. Returns
/// whether those changed.
bool reject_with_chart(const ModelKernel& kernel,
                       const FitOptions& options,
                       const ChartModel& model,
                       Attempt& attempt) {
  bool any = false;
  Frames& frames = attempt.frames;
  for (int round = 0; round < kMaxRejectionRounds; ++round) {
    frames.retry_poses(
        Frames::Retry::kInactive, attempt.state.intrinsics, cauchy_scale(frames, kCauchyTuning));
    if (!frames.decide(options.rejection_limit_sigma, options.frame_limit_factor)) break;
    if (frames.num_active() == 0) break;
    any = true;
    attempt.state.poses = frames.active_poses();
    const AdjustSummary summary = adjust_with_chart(kernel,
                                                    frames.fitted_views(),
                                                    model,
                                                    {.num_fixed = num_fixed(options.focal_mode)},
                                                    attempt.state,
                                                    attempt.chart->values);
    attempt.converged = summary.converged;
    attempt.sum_of_squares = summary.sum_of_squares;
    attempt.iterations += summary.iterations;
    frames.set_active_poses(attempt.state.poses);
    frames.set_chart(model.positions(attempt.chart->values));
    frames.update(attempt.state.intrinsics);
    if (!attempt.converged) break;
  }
  return any;
}

}  // namespace

Attempt best_attempt(const ModelKernel& kernel,
                     const FitOptions& options,
                     const Screened& screened,
                     const std::vector<StartPinhole>& starts) {
  const Fitter fitter(kernel, options, screened);
  const double poor = kPoorFit * std::hypot(screened.plate_size.width, screened.plate_size.height);
  Attempt best;
  for (const StartPinhole& start : starts) {
    Attempt attempt = fitter.run(start);
    const bool better = attempt.rating < best.rating || &start == &starts.front();
    if (better) best = std::move(attempt);
    if (best.rating <= poor || is_interrupted(kernel.interrupt)) break;
  }
  return best;
}

void fit_chart(const ModelKernel& kernel,
               const FitOptions& options,
               const ChartSites& sites,
               const HalfTurn& half_turn,
               Attempt& attempt) {
  const ChartIdentity identity = options.chart_identity;
  const int fixed = num_fixed(options.focal_mode);
  Frames& frames = attempt.frames;
  for (int round = 0; round < kMaxChartRounds; ++round) {
    const std::vector<const ViewPoints*> views = frames.fitted_views();
    const ChartProblemSet set{.kernel = kernel,
                              .views = views,
                              .sites = sites,
                              .num_fixed = fixed,
                              .threads = options.threads};
    attempt.chart_fit.reason = chart_untestable(set);
    if (!attempt.chart_fit.reason.empty()) return;
    if (round == 0 && identity != ChartIdentity::kCommon) {
      const std::vector<char> turned = find_half_turns(set, half_turn, attempt.state);
      if (!turned.empty()) {
        frames.turn(turned, half_turn);
        attempt.state.poses = frames.active_poses();
        attempt.chart_fit.num_turned =
            static_cast<int>(std::count(turned.begin(), turned.end(), 1));
      }
    }
    ChartSolution solution = choose_chart(set, options, attempt.state, attempt.chart_fit.tests);
    if (!solution.terms.any() && !attempt.chart) return;
    const ChartModel model(sites, solution.terms);
    attempt.state = solution.state;
    attempt.sum_of_squares = solution.sum_of_squares;
    frames.set_active_poses(attempt.state.poses);
    frames.set_chart(model.positions(solution.values));
    frames.update(attempt.state.intrinsics);
    attempt.chart = std::move(solution);
    if (options.rejection == Rejection::kOff) return;
    if (!reject_with_chart(kernel, options, model, attempt)) return;
  }
}

}  // namespace trueplate::fit::detail
