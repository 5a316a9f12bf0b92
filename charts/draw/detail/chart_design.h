#pragma once

#include <cmath>
#include <string>
#include <string_view>
#include <utility>

#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "charts/draw/chart_drawing.h"

namespace trueplate::draw::detail {

// What can be drawn of a design, whatever it is drawn on. All refusals are kInvalidInput, and say
// what was found, what was wanted and what to choose.

[[nodiscard]] inline Unexpected refused(std::string message) {
  return fail(ErrorCode::kInvalidInput, std::move(message));
}

[[nodiscard]] inline bool is_length(double value) { return std::isfinite(value) && value > 0.0; }

/// What a chart's points are called: "inner corners", "dots", "crossings".
[[nodiscard]] std::string_view points_name(target::ChartKind kind);

/// Pitches and parts that are lengths, in mm, and a grid of kMinPoints each way or more where it is
/// known.
Result<void> check_design(const ChartDesign& design);

/// No more points than the limits allow; counts may be absurd, so they come as numbers.
Result<void> check_count(target::ChartKind kind, double columns, double rows, double pitch_mm);

/// Sizes that were left open get their default.
void fill_sizes(ChartDesign& design);

/// Dots that do not touch, of a design whose sizes are filled.
Result<void> check_dots(const ChartDesign& design);

}  // namespace trueplate::draw::detail
