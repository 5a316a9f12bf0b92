#pragma once

#include <limits>
#include <optional>
#include <vector>

#include "calib/fit/chart_fit.h"
#include "calib/fit/closed_form.h"
#include "calib/fit/detail/adjust.h"
#include "calib/fit/detail/chart_choice.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/frames.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/screen.h"
#include "calib/fit/fit.h"

namespace trueplate::fit::detail {

/// How many of the leading intrinsics stay.
[[nodiscard]] constexpr int num_fixed(FocalMode mode) {
  return mode == FocalMode::kFree ? 0 : mode == FocalMode::kOneFixed ? 1 : 2;
}

/// One complete fit from one start.
struct Attempt {
  StartPinhole start;
  Adjusted state;  // poses of the active frames, in order
  Frames frames;
  double sum_of_squares = 0.0;
  int iterations = 0;
  bool converged = false;
  double rating = std::numeric_limits<double>::infinity();  // typical residual; smaller is better
  std::optional<ChartSolution> chart;  // set when the chart is not as described
  ChartFit chart_fit;                  // its tests, and why there are none
};

/// The fit to a chart that is as described, from the start whose residuals are smallest.
[[nodiscard]] Attempt best_attempt(const ModelKernel& kernel,
                                   const FitOptions& options,
                                   const Screened& screened,
                                   const std::vector<StartPinhole>& starts);

/// Lets the chart depart from its description where the views demand it (choose_chart), and decides
/// anew which corners and frames fit. `sites` are those of the screened views. Views that have read
/// an unmarked chart upside down are turned first (find_half_turns).
void fit_chart(const ModelKernel& kernel,
               const FitOptions& options,
               const ChartSites& sites,
               const HalfTurn& half_turn,
               Attempt& attempt);

}  // namespace trueplate::fit::detail
