#include "calib/plate/detail/line_choice.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>

#include "calib/base/chance.h"
#include "calib/fit/detail/map_uncertainty.h"
#include "calib/plate/detail/line_doubt.h"
#include "calib/plate/detail/line_rivals.h"

namespace trueplate::plate::detail {
namespace {

using fit::detail::find_kernel;
using fit::detail::kNumPinhole;

constexpr std::array kModels{LineModel{"radial-tangential", 1},
                             LineModel{"division-1", 1},
                             LineModel{"radial-tangential", 2},
                             LineModel{"division-2", 2}};

/// One model's fit to the chains all models share.
struct Candidate {
  LineModel model;
  LensProblem problem;
  AdjustedLens lens;
  std::vector<double> held_out = {};  // sum of squares of each chain; empty: not judged
  std::optional<double> held_out_rms_px = std::nullopt;
};

std::string label_of(const LineModel& model) {
  const auto& names = find_kernel(model.name)->parameter_names;
  std::string terms;
  for (int i = 0; i < model.num_coefficients; ++i) {
    terms += fmt::format("{}{}", i > 0 ? " " : "", names[static_cast<std::size_t>(i)]);
  }
  return fmt::format("{} ({})", model.name, terms);
}

/// The sums of squares of lines seen by lenses that were fitted without them.
std::vector<double> held_out_squares(const Candidate& candidate,
                                     const std::vector<const Chain*>& chains,
                                     int folds) {
  std::vector<double> squares(chains.size(), 0.0);
  for (int fold = 0; fold < folds; ++fold) {
    const auto is_held_out = [&](std::size_t i) {
      return static_cast<int>(i % static_cast<std::size_t>(folds)) == fold;
    };
    std::vector<const Chain*> others;
    for (std::size_t i = 0; i < chains.size(); ++i) {
      if (!is_held_out(i)) others.push_back(chains[i]);
    }
    const auto lens = adjust(candidate.problem, candidate.lens.intrinsics, others);
    if (!lens) return {};
    for (std::size_t i = 0; i < chains.size(); ++i) {
      if (!is_held_out(i)) continue;
      const auto line = line_through(candidate.problem, lens->intrinsics, *chains[i]);
      if (!line) return {};
      squares[i] = line->sum_squares_px2();
    }
  }
  return squares;
}

/// The mean gain a line of `better` over `worse`, in standard errors; 0 where not judged.
double gain_of(const Candidate& better, const Candidate& worse) {
  const std::size_t n = better.held_out.size();
  if (n < 2 || worse.held_out.size() != n) return 0.0;
  double mean = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    mean += (worse.held_out[i] - better.held_out[i]) / static_cast<double>(n);
  }
  double squares = 0.0;
  for (std::size_t i = 0; i < n; ++i) {
    const double off = worse.held_out[i] - better.held_out[i] - mean;
    squares += off * off;
  }
  const double error = std::sqrt(squares / (static_cast<double>(n - 1) * static_cast<double>(n)));
  return error > 0.0 ? mean / error : 0.0;
}

/// Variance per point of the slow parts that a candidate leaves, and its degrees of freedom.
std::pair<double, double> slow_variance(const Candidate& candidate) {
  double squares = 0.0;
  double num_terms = 0.0;
  for (const WorldLine& line : candidate.lens.lines) {
    const LineShape shape = shape_of(line);
    squares += shape.slow_squares;
    num_terms += shape.num_terms;
  }
  const double num_free =
      std::max(1.0, num_terms - static_cast<double>(candidate.problem.free.size()));
  return {squares / num_free, num_free};
}

/// The chance that noise alone makes `larger` so much better than `smaller`.
double chance_of(const Candidate& larger, const Candidate& smaller) {
  const int extra = larger.model.num_coefficients - smaller.model.num_coefficients;
  const double gain = smaller.lens.sum_squares_px2 - larger.lens.sum_squares_px2;
  const auto [variance, num_free] = slow_variance(larger);
  if (!(gain > 0.0)) return 1.0;
  if (!(variance > 0.0)) return 0.0;
  return f_tail(gain / extra / variance, extra, num_free);
}

bool inverts_the_plate(const Candidate& candidate) {
  const Result<lens::Lens> lens = fit::detail::lens_of(
      *candidate.problem.kernel, candidate.lens.intrinsics, candidate.problem.plate_size);
  return lens && lens::invertible_share_of_border(*lens) >= 1.0;
}

/// Where few lines know of a coefficient, the gain's standard error is as large as the gain: what
/// leaves a quarter of the squares of the lines held out is better all the same.
bool is_plainly_better(const Candidate& candidate, const Candidate& best) {
  constexpr double kPlainShare = 0.25;
  return std::accumulate(candidate.held_out.begin(), candidate.held_out.end(), 0.0) <
         kPlainShare * std::accumulate(best.held_out.begin(), best.held_out.end(), 0.0);
}

/// Why `candidate` does not take the place of `best`; empty when it does.
std::string objection(const Candidate& candidate, const Candidate& best, double gain) {
  if (!inverts_the_plate(candidate)) return "cannot be inverted over the whole plate";
  const bool is_judged = !candidate.held_out.empty() && !best.held_out.empty();
  if (is_judged && gain < kMinHeldOutGain && !is_plainly_better(candidate, best)) {
    return fmt::format("meets the lines held out no better than {} ({:.1f} standard errors)",
                       label_of(best.model),
                       gain);
  }
  if (candidate.model.num_coefficients <= best.model.num_coefficients) {
    return is_judged ? "" : "no better founded, and lines to hold out are too few";
  }
  const double chance = chance_of(candidate, best);
  if (chance < kMostChance) return "";
  return fmt::format(
      "not significant beside {} (F-test, p = {:.2g})", label_of(best.model), chance);
}

}  // namespace

std::vector<LineModel> models_wanted(const LineFitOptions& options) {
  std::vector<LineModel> result;
  for (const LineModel& model : kModels) {
    if (options.model != "auto" && options.model != model.name) continue;
    const bool is_radial = model.name == kModels.front().name;
    if (is_radial && options.radial_terms != 0 && options.radial_terms != model.num_coefficients) {
      continue;
    }
    if (!is_radial && options.radial_terms != 0) continue;
    result.push_back(model);
  }
  return result;
}

namespace {

/// The candidates that straighten the whole plate, beside each other; `places` names them.
struct Contest {
  std::vector<std::size_t> places;
  std::optional<LineRivals> rivals;

  [[nodiscard]] std::optional<std::size_t> place_of(std::size_t candidate) const {
    const auto found = std::find(places.begin(), places.end(), candidate);
    if (found == places.end()) return std::nullopt;
    return static_cast<std::size_t>(found - places.begin());
  }
};

Contest contest_of(const std::vector<Candidate>& candidates,
                   const std::vector<Chain>& chains,
                   const std::vector<bool>& used) {
  std::vector<Chain> shared;
  for (const Chain* chain : chosen(chains, used)) shared.push_back(*chain);
  const std::vector<bool> all(shared.size(), true);
  Contest contest;
  std::vector<LineRival> rivals;
  double variance = std::numeric_limits<double>::infinity();
  double num_terms = 1.0;
  std::vector<ScreenedLens> fits;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const Candidate& candidate = candidates[i];
    if (!inverts_the_plate(candidate)) continue;
    std::optional<ScreenedLens> fit =
        screened(candidate.problem, candidate.lens.intrinsics, shared, all, LineRejection::kOff);
    if (!fit || std::find(fit->used.begin(), fit->used.end(), false) != fit->used.end()) continue;
    const double here = fit->structure_px * fit->structure_px;
    if (here < variance) {
      variance = here;
      num_terms = fit->independent_terms;
    }
    contest.places.push_back(i);
    fits.push_back(*std::move(fit));
  }
  for (std::size_t i = 0; i < fits.size(); ++i) {
    // All by one noise: what a model leaves beyond that is its own fault.
    fits[i].structure_px = std::sqrt(variance);
    const Candidate& candidate = candidates[contest.places[i]];
    LineRival rival{
        .lens = *fit::detail::lens_of(
            *candidate.problem.kernel, fits[i].lens.intrinsics, candidate.problem.plate_size),
        .sum_squares_px2 = fits[i].lens.sum_squares_px2,
        .num_coefficients = candidate.model.num_coefficients};
    if (const auto covariance = covariance_of(fits[i])) {
      rival.map_sigma_rms_px =
          fit::detail::map_sigma(rival.lens, *covariance, fit::Absorbed::kRotationAndFocal).rms_px;
    }
    rivals.push_back(std::move(rival));
  }
  if (rivals.size() > 1 && variance > 0.0) {
    contest.rivals.emplace(std::move(rivals), variance, num_terms);
  }
  return contest;
}

}  // namespace

Result<LineChoice> choose_line_model(const std::vector<LineModel>& models,
                                     const ScreenedLens& screen,
                                     double lambda,
                                     const std::vector<Chain>& chains,
                                     const LineFitOptions& options) {
  const std::vector<const Chain*> shared = chosen(chains, screen.used);
  const int folds = std::min(options.held_out_folds, static_cast<int>(shared.size()) / 2);
  LensProblem pinhole = screen.problem;
  std::erase_if(pinhole.free, [](int which) { return which >= kNumPinhole; });
  std::vector<Candidate> candidates;
  std::vector<LineTrial> trials;
  std::vector<std::size_t> trial_of;
  for (const LineModel& model : models) {
    trials.push_back({.model = label_of(model),
                      .num_coefficients = model.num_coefficients,
                      .rms_px = std::nullopt,
                      .held_out_rms_px = std::nullopt,
                      .reason = "could not be fitted"});
    Candidate candidate{.model = model, .problem = problem_of(model, pinhole), .lens = {}};
    std::vector<Eigen::VectorXd> starts{start_of(
        model, screen.lens.intrinsics.head<4>(), lambda, shared, screen.problem.plate_size)};
    if (auto like = start_like(model, screen.problem, screen.lens.intrinsics, shared)) {
      starts.push_back(*std::move(like));
    }
    std::optional<AdjustedLens> lens = best_adjusted(candidate.problem, starts, shared);
    if (!lens) continue;
    candidate.lens = *std::move(lens);
    std::size_t num_points = 0;
    for (const Chain* chain : shared) num_points += chain->size();
    const auto rms = [&](double squares) {
      return std::sqrt(squares / static_cast<double>(num_points));
    };
    if (folds >= 2) candidate.held_out = held_out_squares(candidate, shared, folds);
    if (!candidate.held_out.empty()) {
      double sum = 0.0;
      for (const double squares : candidate.held_out) sum += squares;
      candidate.held_out_rms_px = rms(sum);
    }
    trials.back().rms_px = rms(candidate.lens.sum_squares_px2);
    trials.back().held_out_rms_px = candidate.held_out_rms_px;
    trial_of.push_back(trials.size() - 1);
    candidates.push_back(std::move(candidate));
  }
  if (candidates.empty()) {
    return fail(ErrorCode::kNotConverged,
                fmt::format("no lens could be fitted to the {} lines; give fewer and better ones, "
                            "or another --model",
                            shared.size()));
  }
  std::size_t best = 0;
  for (std::size_t i = 1; i < candidates.size(); ++i) {
    LineTrial& trial = trials[trial_of[i]];
    trial.held_out_gain = gain_of(candidates[i], candidates[best]);
    trial.reason = objection(candidates[i], candidates[best], trial.held_out_gain);
    if (!trial.reason.empty() && inverts_the_plate(candidates[best])) continue;
    if (!trial.reason.empty() && !inverts_the_plate(candidates[i])) continue;
    trials[trial_of[best]].reason = fmt::format("{} is better", label_of(candidates[i].model));
    best = i;
  }
  const Contest contest = contest_of(candidates, chains, screen.used);
  std::optional<MapsApart> doubt;
  if (const auto place = contest.place_of(best); place && contest.rivals) {
    const LineRivals& rivals = *contest.rivals;
    const std::size_t taken = rivals.choice(*place);
    if (taken != *place) {
      const std::size_t other = contest.places[taken];
      trials[trial_of[best]].reason =
          fmt::format("{} is as likely and lies between the models that meet the lines",
                      label_of(candidates[other].model));
      best = other;
    }
    doubt = rivals.doubt(taken);
    for (std::size_t i = 0; i < contest.places.size(); ++i) {
      LineTrial& trial = trials[trial_of[contest.places[i]]];
      trial.weight = rivals.weight(i);
      if (i != taken) trial.apart = rivals.apart(taken, i);
    }
  }
  trials[trial_of[best]].reason.clear();
  trials[trial_of[best]].chosen = true;
  const Candidate& winner = candidates[best];
  std::optional<ScreenedLens> fit =
      screened(winner.problem, winner.lens.intrinsics, chains, screen.used, options.rejection);
  if (!fit) {
    return fail(ErrorCode::kNotConverged,
                fmt::format("{} could not be fitted to {} of {} lines; add long lines near the "
                            "frame's edges, or give another --model",
                            label_of(winner.model),
                            shared.size(),
                            chains.size()));
  }
  return LineChoice{.model = winner.model,
                    .fit = *std::move(fit),
                    .held_out_rms_px = winner.held_out_rms_px,
                    .trials = std::move(trials),
                    .doubt = doubt};
}

}  // namespace trueplate::plate::detail
