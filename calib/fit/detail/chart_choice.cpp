#include "calib/fit/detail/chart_choice.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/chance.h"
#include "calib/fit/detail/held_out.h"

namespace trueplate::fit::detail {
namespace {

// Common practice without a source: fewer views hold a lens, not a chart as well.
constexpr std::size_t kFewestViews = 5;
constexpr std::size_t kFewestViewsPerSite = 4;  // of a typical point
// Below this the residuals are rounding, and a test of them means nothing.
constexpr double kExactPx = 1e-5;
constexpr std::size_t kMostSites = 1000;  // the normal equations are dense in the print's values
constexpr int kTestFolds = 5;

Eigen::Index num_residuals(const ChartProblemSet& set) {
  std::size_t count = 0;
  for (const ViewPoints* view : set.views) count += 2 * view->size();
  return static_cast<Eigen::Index>(count);
}

Eigen::Index num_unknowns(const ChartProblemSet& set, const ChartModel& model) {
  return set.kernel.num_intrinsics() - set.num_fixed +
         kNumPose * static_cast<Eigen::Index>(set.views.size()) + model.num_independent();
}

class Chooser {
 public:
  Chooser(const ChartProblemSet& set, ChartSolution flat, std::vector<ChartTest>& tests)
      : set_(set), best_(std::move(flat)), tests_(tests) {}

  [[nodiscard]] const ChartSolution& best() const { return best_; }
  ChartSolution take() { return std::move(best_); }

  /// Fits with these terms; keeps them when the views demand it.
  bool consider(const ChartTerms& terms, std::string name) {
    std::optional<ChartSolution> trial = solve_chart(set_, terms, best_);
    ChartTest test{.term = std::move(name)};
    if (trial) {
      const ChartModel before(set_.sites, best_.terms);
      const ChartModel after(set_.sites, terms);
      const double extra = static_cast<double>(after.num_independent() - before.num_independent());
      const double free = static_cast<double>(num_residuals(set_) - num_unknowns(set_, after));
      const double gain = best_.sum_of_squares - trial->sum_of_squares;
      if (extra > 0.0 && free > 0.0 && gain > 0.0) {
        const double f = (gain / extra) / (trial->sum_of_squares / free);
        test.p_value = f_tail(f, extra, free);
        // What noise alone would give is no gain.
        const double real = gain - extra * trial->sum_of_squares / free;
        test.gain_px =
            std::sqrt(std::max(0.0, real) / (0.5 * static_cast<double>(num_residuals(set_))));
      }
      if (test.p_value < kChartSignificance && test.gain_px > kWorthwhileGainPx) {
        test.held_out_gain = held_out_gain(before, after, *trial);
        test.kept = test.held_out_gain > kHeldOutSigmas;
      }
    }
    if (test.kept) best_ = *std::move(trial);
    const bool kept = test.kept;
    tests_.push_back(std::move(test));
    return kept;
  }

  /// Fits with these terms whatever the tests say. False when the views do not determine them.
  bool force(const ChartTerms& terms) {
    std::optional<ChartSolution> trial = solve_chart(set_, terms, best_);
    if (!trial) return false;
    best_ = *std::move(trial);
    return true;
  }

 private:
  /// Mean gain of the frames' sums of squares over its standard error.
  [[nodiscard]] double held_out_gain(const ChartModel& before,
                                     const ChartModel& after,
                                     const ChartSolution& trial) const {
    const auto judged = [&](const ChartModel& model, const Adjusted& state) {
      return held_out(
          set_.kernel, set_.views, state, set_.num_fixed, kTestFolds, set_.threads, &model);
    };
    const std::optional<HeldOut> old_way = judged(before, best_.state);
    const std::optional<HeldOut> new_way = judged(after, trial.state);
    if (!old_way || !new_way) return 0.0;
    std::vector<double> gains;
    for (std::size_t i = 0; i < set_.views.size(); ++i) {
      const double gain = old_way->view_squares[i] - new_way->view_squares[i];
      if (std::isfinite(gain)) gains.push_back(gain);
    }
    if (gains.size() < 3) return 0.0;
    const double count = static_cast<double>(gains.size());
    double mean = 0.0;
    for (const double gain : gains) mean += gain / count;
    double variance = 0.0;
    for (const double gain : gains) variance += (gain - mean) * (gain - mean) / (count - 1.0);
    return variance > 0.0 ? mean / std::sqrt(variance / count) : 0.0;
  }

  const ChartProblemSet& set_;
  ChartSolution best_;
  std::vector<ChartTest>& tests_;
};

void choose(Chooser& chooser, bool print_testable) {
  const auto with = [&](auto change) {
    ChartTerms terms = chooser.best().terms;
    change(terms);
    return terms;
  };
  // Boards bend evenly about their middle more than they twist: where degree 3 adds nothing,
  // degree 4 may.
  const auto bend = [&] {
    for (int degree = std::max(kSmallestBend, chooser.best().terms.bend_degree + 1);
         degree <= kLargestBend;
         ++degree) {
      const ChartTerms terms = with([&](ChartTerms& t) { t.bend_degree = degree; });
      chooser.consider(terms, fmt::format("bend of degree {}", degree));
    }
  };
  chooser.consider(with([](ChartTerms& t) { t.ratio = true; }), "pitch ratio");
  bend();
  if (!print_testable) return;
  const ChartTerms print = with([](ChartTerms& t) {
    t.print = true;
    t.ratio = false;
  });
  // With the print's errors out of the way a smaller bend can be seen.
  if (chooser.consider(print, "print errors")) bend();
}

void force(Chooser& chooser, ChartShape shape, int bend_degree, bool print_testable) {
  if (!chooser.force({.ratio = true}) || shape == ChartShape::kStretched) return;
  int reached = 0;
  for (int degree = kSmallestBend; degree <= bend_degree; ++degree) {
    if (!chooser.force({.ratio = true, .bend_degree = degree})) break;
    reached = degree;
  }
  if (reached == 0 || shape == ChartShape::kBent || !print_testable) return;
  chooser.force({.bend_degree = reached, .print = true});
}

}  // namespace

std::optional<ChartSolution> solve_chart(const ChartProblemSet& set,
                                         const ChartTerms& terms,
                                         const ChartSolution& start) {
  const ChartModel model(set.sites, terms);
  ChartSolution result{.terms = terms,
                       .values = model.converted(ChartModel(set.sites, start.terms), start.values),
                       .state = start.state,
                       .information = std::nullopt};
  const AdjustSummary summary = adjust_with_chart(
      set.kernel,
      set.views,
      model,
      {.num_fixed = set.num_fixed, .cost_tolerance = 1e-12, .max_iterations = 100},
      result.state,
      result.values);
  if (!summary.converged) return std::nullopt;
  result.sum_of_squares = summary.sum_of_squares;
  result.information = inverse_information_with_chart(
      set.kernel, set.views, model, set.num_fixed, result.state, result.values);
  if (!result.information) return std::nullopt;
  return result;
}

std::string chart_untestable(const ChartProblemSet& set) {
  if (set.views.size() < kFewestViews) {
    return fmt::format(
        "{} frames are too few, at least {} are wanted", set.views.size(), kFewestViews);
  }
  return {};
}

std::string print_untestable(const ChartProblemSet& set) {
  if (set.sites.size() > kMostSites) {
    return fmt::format("the chart has {} points, more than the {} that are fitted one by one",
                       set.sites.size(),
                       kMostSites);
  }
  std::vector<std::size_t> counts(set.sites.size(), 0);
  for (const ViewPoints* view : set.views) {
    for (const int site : view->site) ++counts[static_cast<std::size_t>(site)];
  }
  const auto middle = counts.begin() + static_cast<std::ptrdiff_t>(counts.size() / 2);
  std::nth_element(counts.begin(), middle, counts.end());
  if (*middle < kFewestViewsPerSite) {
    return fmt::format("a typical point of the chart is seen in {} frames, at least {} are wanted",
                       *middle,
                       kFewestViewsPerSite);
  }
  return {};
}

ChartSolution choose_chart(const ChartProblemSet& set,
                           const FitOptions& options,
                           const Adjusted& state,
                           std::vector<ChartTest>& tests) {
  tests.clear();
  ChartSolution start{.terms = {},
                      .values = ChartModel(set.sites, {}).zero(),
                      .state = state,
                      .information = std::nullopt};
  std::optional<ChartSolution> flat = solve_chart(set, {}, start);
  if (!flat) return start;
  const double squares = flat->sum_of_squares;
  Chooser chooser(set, *std::move(flat), tests);
  const bool print_testable = print_untestable(set).empty();
  if (options.chart_shape != ChartShape::kAuto) {
    force(chooser, options.chart_shape, options.bend_degree, print_testable);
  } else if (squares > kExactPx * kExactPx * static_cast<double>(num_residuals(set))) {
    choose(chooser, print_testable);
  }
  return chooser.take();
}

void describe_chart(const ChartModel& model,
                    const ChartSolution& solution,
                    double noise_sigma_px,
                    ChartFit& out) {
  const double variance = noise_sigma_px * noise_sigma_px;
  const ChartValues& values = solution.values;
  const ChartInformation& information = *solution.information;
  const ChartSites& sites = model.sites();
  if (model.terms().ratio) {
    out.pitch_ratio =
        Measured{1.0 + values.shared(0), std::sqrt(variance * information.shared(0, 0))};
  }
  const std::vector<Eigen::Vector3d> positions = model.positions(values);
  for (std::size_t i = 0; i < sites.size(); ++i) {
    out.points.push_back({sites.nominal_mm[i], positions[i] - sites.nominal_mm[i]});
  }
  const Eigen::Index num_heights = model.height_functions().cols();
  out.bend_degree = num_heights > 0 ? model.terms().bend_degree : 0;
  if (num_heights > 0) {
    const Eigen::VectorXd heights = model.height_functions() * values.shared.tail(num_heights);
    Eigen::Index highest = 0;
    heights.cwiseAbs().maxCoeff(&highest);
    const Eigen::RowVectorXd row = model.height_functions().row(highest);
    const double squared =
        row * information.shared.bottomRightCorner(num_heights, num_heights) * row.transpose();
    out.bend_mm =
        Measured{std::abs(heights(highest)), std::sqrt(variance * std::max(0.0, squared))};
  }
  if (!model.terms().print) return;
  const double count = static_cast<double>(sites.size());
  const double noise = variance * information.print.trace() / count;
  out.print_error_mm = Measured{
      std::sqrt(std::max(0.0, values.print.squaredNorm() / count - noise)), std::sqrt(noise)};
  // The stretch that is among the displacements: slopes of x along x and of y along y, by least
  // squares. Their difference is linear in the values, and so has a variance.
  Eigen::VectorXd functional = Eigen::VectorXd::Zero(model.num_print());
  Eigen::Vector2d squares = Eigen::Vector2d::Zero();
  for (const Eigen::Vector3d& p : sites.nominal_mm) {
    squares += (p.head<2>() - sites.centre_mm).cwiseAbs2();
  }
  for (std::size_t i = 0; i < sites.size(); ++i) {
    const Point2d p = sites.nominal_mm[i].head<2>() - sites.centre_mm;
    functional.segment<2>(2 * static_cast<Eigen::Index>(i)) << -p.x() / squares.x(),
        p.y() / squares.y();
  }
  const double squared = functional.dot(information.print * functional);
  out.pitch_ratio =
      Measured{1.0 + functional.dot(values.print), std::sqrt(variance * std::max(0.0, squared))};
}

}  // namespace trueplate::fit::detail
