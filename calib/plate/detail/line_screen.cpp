#include "calib/plate/detail/line_screen.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calib/base/chance.h"
#include "calib/plate/detail/edge_scatter.h"

namespace trueplate::plate::detail {
namespace {

constexpr int kMostRounds = 12;
constexpr double kExcessLimit = 5.0;  // standard deviations
/// Smaller shapes are left alone however well they show: edges of the world are no straighter.
constexpr double kLeastShapePx = 0.03;
constexpr double kUsualShape = 3.0;  // times that of the median line
constexpr double kLeastFreedom = 3.0;
/// The edges' scatter counts where chance makes it as large less often.
constexpr double kChanceOfScatter = 0.2;
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

/// As much wider is Student's distribution than Gauss's: few terms know their own variance badly.
double widened(double variance, double freedom) {
  const double num_free = std::max(freedom, kLeastFreedom);
  return variance * num_free / (num_free - 2.0);
}

/// The largest variance that the edges' scatter shows, where chance makes none like it of `usual`.
double variance_of_scatter(const ScreenedLens& screened, double usual) {
  double largest = 0.0;
  for (const EdgeScatter& scatter : scatter_of_edges(screened.problem, screened.lens)) {
    const double freedom = std::max(scatter.freedom, kLeastFreedom);
    const double ratio = scatter.variance / std::max(usual, 1e-300);
    if (chi_square_tail(freedom * ratio, freedom) > kChanceOfScatter) continue;
    largest = std::max(largest, widened(scatter.variance, freedom));
  }
  return largest;
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
  const double usual = std::max({of_slow, of_slowest, of_all});
  screened.structure_px = std::sqrt(std::max({widened(of_slow, screened.independent_terms),
                                              widened(of_slowest, screened.independent_terms),
                                              of_all,
                                              variance_of_scatter(screened, usual)}));
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
