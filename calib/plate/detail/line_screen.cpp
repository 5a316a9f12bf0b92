#include "calib/plate/detail/line_screen.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

namespace trueplate::plate::detail {
namespace {

constexpr int kMostRounds = 12;
constexpr double kExcessLimit = 5.0;  // standard deviations
/// Smaller shapes are left alone however well they show: edges of the world are no straighter.
constexpr double kLeastShapePx = 0.03;
constexpr double kUsualShape = 3.0;  // times that of the median line
constexpr double kLeastFreedom = 3.0;
/// Among fewer nothing says which is not straight.
constexpr std::size_t kLeastJudged = 5;

/// Fits; a chain that the lens cannot invert at the start is put aside with its reason.
std::optional<AdjustedLens> fitted(const LensProblem& problem,
                                   const Eigen::VectorXd& start,
                                   const std::vector<Chain>& chains,
                                   std::vector<bool>& used) {
  std::optional<AdjustedLens> lens = adjust(problem, start, chosen(chains, used));
  if (lens) return lens;
  for (std::size_t i = 0; i < chains.size(); ++i) {
    if (used[i] && !line_through(problem, start, chains[i])) used[i] = false;
  }
  if (std::find(used.begin(), used.end(), true) == used.end()) return std::nullopt;
  return adjust(problem, start, chosen(chains, used));
}

/// The largest variance of a coefficient that the scatter of the lines' gradients shows, over the
/// one that points of variance 1 would give it: per point, px^2. Right also where a few lines that
/// say most are the least straight. H. White, Maximum Likelihood Estimation of Misspecified Models,
/// Econometrica 50(1), 1982 (from memory), lines being the independent units.
double variance_between_lines(const ScreenedLens& screened, int num_lines) {
  const auto num_free = screened.lens.normal.rows();
  if (num_free == 0 || num_lines <= num_free) return 0.0;
  const auto solver = screened.lens.normal.completeOrthogonalDecomposition();
  const Eigen::MatrixXd inverse = solver.solve(Eigen::MatrixXd::Identity(num_free, num_free));
  const Eigen::MatrixXd scattered = inverse * screened.lens.score_squares * inverse;
  double largest = 0.0;
  for (Eigen::Index i = 0; i < num_free; ++i) {
    if (screened.problem.free[static_cast<std::size_t>(i)] < fit::detail::kNumPinhole) continue;
    if (inverse(i, i) > 0.0) largest = std::max(largest, scattered(i, i) / inverse(i, i));
  }
  return largest * num_lines / static_cast<double>(num_lines - num_free);
}

/// Sets `structure_px` from the used lines, and the prior's weight by it.
void measure(ScreenedLens& screened, const std::vector<LineShape>& shapes) {
  double slow = 0.0;
  double slowest = 0.0;
  int num_slowest = 0;
  double all = screened.lens.sum_squares_px2;
  int num_terms = 0;
  std::size_t num_points = 0;
  int num_lines = 0;
  for (std::size_t i = 0; i < shapes.size(); ++i) {
    if (!screened.used[i] || !screened.lines[i]) continue;
    slow += shapes[i].slow_squares;
    num_terms += shapes[i].num_terms;
    slowest += shapes[i].slowest_squares;
    num_slowest += shapes[i].num_slowest;
    num_points += screened.lines[i]->feet.size();
    ++num_lines;
  }
  double spent = 0.0;  // parameters that the points, not the prior, determine
  if (screened.lens.normal.rows() > 0) {
    spent = screened.lens.normal.completeOrthogonalDecomposition()
                .solve(screened.lens.data_normal)
                .trace();
  }
  screened.independent_terms = num_terms - spent;
  const double of_slow = slow / std::max(screened.independent_terms, 1.0);
  const double of_slowest = slowest / std::max(num_slowest - spent, 1.0);
  const double of_all =
      all / std::max(static_cast<double>(num_points) - 2.0 * num_lines - spent, 1.0);
  // Few terms know their own variance badly: as much wider is Student's distribution than Gauss's.
  const double num_free = std::max(screened.independent_terms, kLeastFreedom);
  const double widened = num_free / (num_free - 2.0);
  screened.structure_px = std::sqrt(std::max({of_slow * widened,
                                              of_slowest * widened,
                                              of_all,
                                              variance_between_lines(screened, num_lines)}));
}

}  // namespace

std::vector<const Chain*> chosen(const std::vector<Chain>& chains, const std::vector<bool>& used) {
  std::vector<const Chain*> result;
  for (std::size_t i = 0; i < chains.size(); ++i) {
    if (used[i]) result.push_back(&chains[i]);
  }
  return result;
}

std::optional<ScreenedLens> screened(const LensProblem& problem,
                                     const Eigen::VectorXd& start,
                                     const std::vector<Chain>& chains,
                                     std::vector<bool> used,
                                     LineRejection rejection) {
  const double centre_doubt_px =
      kCentreDoubt * std::max(problem.plate_size.width, problem.plate_size.height);
  ScreenedLens result{.problem = problem, .lens = {}, .lines = {}, .used = {}, .reasons = {}};
  Eigen::VectorXd from = start;
  for (int round = 0; round < kMostRounds; ++round) {
    std::optional<AdjustedLens> lens = fitted(result.problem, from, chains, used);
    if (!lens) return std::nullopt;
    from = lens->intrinsics;
    result.lens = *std::move(lens);
    result.used = used;
    result.lines.clear();
    std::vector<LineShape> shapes;
    std::vector<LineShape> of_used;
    for (std::size_t i = 0; i < chains.size(); ++i) {
      result.lines.push_back(line_through(result.problem, from, chains[i]));
      shapes.push_back(result.lines.back() ? shape_of(*result.lines.back()) : LineShape());
      if (used[i]) of_used.push_back(shapes.back());
    }
    measure(result, shapes);
    result.problem.prior_weight =
        result.structure_px * result.structure_px / (centre_doubt_px * centre_doubt_px);

    const double typical = typical_structure_px(of_used);
    const double usual_px = std::max(kLeastShapePx, kUsualShape * typical_amplitude_px(of_used));
    const bool judges = rejection == LineRejection::kByShape && of_used.size() >= kLeastJudged;
    std::vector<bool> next(chains.size(), false);
    result.reasons.assign(chains.size(), "");
    for (std::size_t i = 0; i < chains.size(); ++i) {
      if (!result.lines[i]) {
        result.reasons[i] = "lies where the lens has no inverse";
        continue;
      }
      const double excess = excess_sigma(shapes[i], typical);
      next[i] = !judges || excess <= kExcessLimit || shapes[i].amplitude_px <= usual_px;
      if (next[i]) continue;
      result.reasons[i] = fmt::format(
          "no lens that straightens the others straightens it: departs by {:.2f} px rms in a "
          "smooth shape, {:.0f} standard deviations beyond what they show; curved, or broken",
          shapes[i].amplitude_px,
          excess);
    }
    if (next == used && round > 0) break;
    if (std::find(next.begin(), next.end(), true) == next.end()) break;
    used = std::move(next);
  }
  for (std::size_t i = 0; i < chains.size(); ++i) {
    if (result.used[i]) {
      result.reasons[i].clear();
    } else if (result.reasons[i].empty()) {
      result.reasons[i] = "fits or not depending on the other lines";
    }
  }
  return result;
}

}  // namespace trueplate::plate::detail
