#include "calib/target/dot_grid.h"

#include <fmt/format.h>

#include <limits>

#include "calib/target/detail/dot_probe.h"
#include "calib/target/detail/mark_search.h"

namespace trueplate::target {

Result<Detection> detect_dots(ImageView<const float> luma,
                              const Chart& chart,
                              const DetectOptions& options) {
  if (chart.kind != ChartKind::kDots && chart.kind != ChartKind::kDotsStaggered)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found kind {}, need dots or dots-staggered",
                            chart_kind_name(chart.kind)));
  if (auto checked = check_detection_input(luma, chart, options); !checked)
    return fail(checked.error());
  const detail::MarkKind kind{.regions = detail::Regions::kMarks,
                              .probe = detail::dot_probe,
                              .noun = "dots",
                              .most_sigma_ratio = 2.5,
                              .plain_sigma_px = 0.012};
  const int enough =
      chart.grid_known() ? chart.columns * chart.rows : std::numeric_limits<int>::max();
  return detail::finish_marks(
      detail::search_marks(luma, kind, options.search_side_px, enough), kind, chart, options);
}

}  // namespace trueplate::target
