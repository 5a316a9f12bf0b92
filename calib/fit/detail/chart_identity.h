#pragma once

#include <string>

#include "calib/fit/chart_fit.h"
#include "calib/fit/detail/chart_model.h"
#include "calib/fit/detail/screen.h"

namespace trueplate::fit::detail {

/// The chart's points numbered across the views, or why that cannot be done.
struct NumberedChart {
  ChartSites sites;    // empty with a reason
  std::string reason;  // empty with sites
};

/// Numbers the usable corners of all usable views where a chart position means the same point of
/// the print in each, and the chart is described as flat. With ChartIdentity::kUnknown that is
/// judged: it holds where nearly all views show the same extent of columns and rows.
/// With a shape other than kAuto the caller vouches for it.
[[nodiscard]] NumberedChart number_chart(Screened& screened,
                                         ChartShape shape,
                                         ChartIdentity identity);

}  // namespace trueplate::fit::detail
