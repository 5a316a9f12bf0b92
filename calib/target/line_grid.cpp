#include "calib/target/line_grid.h"

#include <fmt/format.h>

#include <limits>

#include "calib/target/detail/line_probe.h"
#include "calib/target/detail/mark_search.h"

namespace trueplate::target {

Result<Detection> detect_lines(ImageView<const float> luma,
                               const Chart& chart,
                               const DetectOptions& options) {
  if (chart.kind != ChartKind::kLines)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found kind {}, need lines", chart_kind_name(chart.kind)));
  if (auto checked = check_detection_input(luma, chart, options); !checked)
    return fail(checked.error());
  const detail::MarkKind kind{
      .regions = detail::Regions::kFields, .probe = detail::line_probe, .noun = "crossings"};
  const int enough =
      chart.grid_known() ? chart.columns * chart.rows : std::numeric_limits<int>::max();
  return detail::finish_marks(
      detail::search_marks(luma, kind, options.search_side_px, enough), kind, chart, options);
}

}  // namespace trueplate::target
