#include "charts/draw/detail/chart_design.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/target/coded_layout.h"
#include "charts/draw/detail/pattern.h"

namespace trueplate::draw::detail {
namespace {

using target::ChartKind;

/// The distance of the nearest dots.
double nearest_dots(ChartKind kind, const Point2d& pitch) {
  return kind == ChartKind::kDotsStaggered ? std::min(pitch.x(), 0.5 * pitch.norm())
                                           : pitch.minCoeff();
}

}  // namespace

std::string_view points_name(ChartKind kind) {
  if (is_board(kind)) return "inner corners";
  return has_dots(kind) ? "dots" : "crossings";
}

Result<void> check_design(const ChartDesign& design) {
  const target::Chart& chart = design.chart;
  if (!is_length(chart.pitch_mm)) {
    return refused(fmt::format("the pitch is {} mm, wanted a length above zero", chart.pitch_mm));
  }
  if (!(std::isfinite(chart.pitch_y_mm) && chart.pitch_y_mm >= 0.0)) {
    return refused(
        fmt::format("the pitch along y is {} mm, wanted a length above zero, or 0 for "
                    "the same as along x",
                    chart.pitch_y_mm));
  }
  const double nearest = chart.pitch_xy_mm().minCoeff();
  const auto check_part = [&](double size, std::string_view name) -> Result<void> {
    if (size == 0.0 || (is_length(size) && size < nearest)) return {};
    return refused(
        fmt::format("the {} is {} mm, wanted a length above zero and below the pitch of "
                    "{} mm",
                    name,
                    size,
                    mm_text(nearest)));
  };
  if (Result<void> good = check_part(design.line_width_mm, "line width"); !good) return good;
  if (Result<void> good = check_part(design.dot_diameter_mm, "dot diameter"); !good) return good;
  if (!chart.grid_known()) return {};
  if (chart.columns < kMinPoints || chart.rows < kMinPoints) {
    return refused(fmt::format("a grid of {}x{} {}; at least {}x{} are needed",
                               chart.columns,
                               chart.rows,
                               points_name(chart.kind),
                               kMinPoints,
                               kMinPoints));
  }
  return {};
}

Result<void> check_count(ChartKind kind, double columns, double rows, double pitch_mm) {
  if (columns * rows > kMaxPoints) {
    return refused(
        fmt::format("{:.0f} x {:.0f} {} are more than the {} that can be drawn; choose "
                    "a larger pitch than {} mm, or a smaller grid",
                    columns,
                    rows,
                    points_name(kind),
                    kMaxPoints,
                    mm_text(pitch_mm)));
  }
  if (kind == ChartKind::kCoded &&
      (columns + 1 > target::kCodedMaxSquaresX || rows + 1 > target::kCodedMaxSquaresY)) {
    return refused(
        fmt::format("{:.0f} x {:.0f} squares; a coded chart has markers for {} x {}; "
                    "choose a larger pitch than {} mm, or a grid of at most {}x{} inner "
                    "corners",
                    columns + 1,
                    rows + 1,
                    target::kCodedMaxSquaresX,
                    target::kCodedMaxSquaresY,
                    mm_text(pitch_mm),
                    target::kCodedMaxSquaresX - 1,
                    target::kCodedMaxSquaresY - 1));
  }
  return {};
}

void fill_sizes(ChartDesign& design) {
  const Point2d pitch = design.chart.pitch_xy_mm();
  if (design.chart.kind == ChartKind::kLines && design.line_width_mm == 0.0) {
    design.line_width_mm = kLineShare * pitch.minCoeff();
  }
  if (has_dots(design.chart.kind) && design.dot_diameter_mm == 0.0) {
    design.dot_diameter_mm = kDotShare * nearest_dots(design.chart.kind, pitch);
  }
}

Result<void> check_dots(const ChartDesign& design) {
  const double nearest = nearest_dots(design.chart.kind, design.chart.pitch_xy_mm());
  if (!has_dots(design.chart.kind) || design.dot_diameter_mm < 0.9 * nearest) return {};
  return refused(fmt::format("dots of {} mm would touch: the nearest are {} mm apart",
                             mm_text(design.dot_diameter_mm),
                             mm_text(nearest)));
}

}  // namespace trueplate::draw::detail
