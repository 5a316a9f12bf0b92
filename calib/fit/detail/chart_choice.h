#pragma once

#include <span>
#include <string>
#include <vector>

#include "calib/fit/chart_fit.h"
#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/adjust_chart.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/view_points.h"
#include "calib/fit/fit.h"

namespace trueplate::fit::detail {

/// A fit of lens, poses and chart to some views.
struct ChartSolution {
  ChartTerms terms;
  ChartValues values;
  Adjusted state;
  double sum_of_squares = 0.0;
  std::optional<ChartInformation> information;
};

struct ChartProblemSet {
  const ModelKernel& kernel;
  std::span<const ViewPoints* const> views;  // numbered
  const ChartSites& sites;
  int num_fixed = 0;
  int threads = 0;
};

/// Why the views cannot tell anything about the chart, or about single points of it; empty when
/// they can.
[[nodiscard]] std::string chart_untestable(const ChartProblemSet& set);
[[nodiscard]] std::string print_untestable(const ChartProblemSet& set);

/// Fits with these terms, from another solution's state and values. nullopt when the views do not
/// determine them.
[[nodiscard]] std::optional<ChartSolution> solve_chart(const ChartProblemSet& set,
                                                       const ChartTerms& terms,
                                                       const ChartSolution& start);

/// Finds which departures of the chart the views demand (FitOptions::chart_shape), or fits the ones
/// asked for. `state` is a start. Each term has to pass three tests: Fisher's F-test against the
/// fit without it, at kChartSignificance; a gain worth having, kWorthwhileGainPx; and frames left
/// out of the fit have to gain from it too, by kHeldOutSigmas of its standard error over the frames
/// (F-tests take residuals for independent, and those of real frames are not quite).
[[nodiscard]] ChartSolution choose_chart(const ChartProblemSet& set,
                                         const FitOptions& options,
                                         const Adjusted& state,
                                         std::vector<ChartTest>& tests);

inline constexpr double kChartSignificance = 1e-3;
inline constexpr double kWorthwhileGainPx = 0.01;
inline constexpr double kHeldOutSigmas = 2.0;

/// The chart's numbers for people. noise_sigma_px scales the standard deviations.
void describe_chart(const ChartModel& model,
                    const ChartSolution& solution,
                    double noise_sigma_px,
                    ChartFit& out);

}  // namespace trueplate::fit::detail
