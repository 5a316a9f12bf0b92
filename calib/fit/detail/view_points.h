#pragma once

#include <cstddef>
#include <vector>

namespace trueplate::fit::detail {

/// The corners of one view that take part in a fit, as plain arrays.
struct ViewPoints {
  std::vector<double> chart_mm;     // 3 per corner
  std::vector<double> plate_px;     // 2 per corner
  std::vector<double> root_weight;  // 1 per corner; residuals are multiplied by it

  [[nodiscard]] std::size_t size() const { return root_weight.size(); }
};

}  // namespace trueplate::fit::detail
