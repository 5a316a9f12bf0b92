#pragma once

#include <cstddef>
#include <vector>

namespace trueplate::fit::detail {

/// The corners of one view that take part in a fit, as plain arrays.
struct ViewPoints {
  std::vector<double> chart_mm;     // 3 per corner
  std::vector<double> plate_px;     // 2 per corner
  std::vector<double> root_weight;  // 1 per corner; residuals are multiplied by it
  std::vector<int> site;            // 1 per corner, an index into ChartSites; empty: not numbered

  [[nodiscard]] std::size_t size() const { return root_weight.size(); }

  /// Appends corner i of another view.
  void append(const ViewPoints& other, std::size_t i) {
    chart_mm.insert(chart_mm.end(), &other.chart_mm[3 * i], &other.chart_mm[3 * i] + 3);
    plate_px.insert(plate_px.end(), &other.plate_px[2 * i], &other.plate_px[2 * i] + 2);
    root_weight.push_back(other.root_weight[i]);
    if (!other.site.empty()) site.push_back(other.site[i]);
  }
};

}  // namespace trueplate::fit::detail
