#include "calib/fit/detail/chart_identity.h"

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <utility>
#include <vector>

namespace trueplate::fit::detail {
namespace {

// Share of the views that have to show the whole extent; corners at the edge may be missing in a
// few.
constexpr double kSameExtentShare = 0.8;

/// Whether nearly all views reach from the same first to the same last column and row.
bool same_extent(const std::vector<ViewPoints*>& views) {
  using Box = std::array<double, 4>;
  std::map<Box, std::size_t> counts;
  for (const ViewPoints* view : views) {
    const Eigen::Map<const Eigen::Matrix3Xd> p(
        view->chart_mm.data(), 3, static_cast<Eigen::Index>(view->size()));
    // Whole micrometres: text files round.
    const auto whole = [](double mm) { return std::round(1000.0 * mm); };
    ++counts[{whole(p.row(0).minCoeff()),
              whole(p.row(0).maxCoeff()),
              whole(p.row(1).minCoeff()),
              whole(p.row(1).maxCoeff())}];
  }
  std::size_t most = 0;
  for (const auto& [box, count] : counts) most = std::max(most, count);
  return static_cast<double>(most) >= kSameExtentShare * static_cast<double>(views.size());
}

bool is_flat(const ViewPoints& view) {
  for (std::size_t i = 0; i < view.size(); ++i) {
    if (view.chart_mm[3 * i + 2] != 0.0) return false;
  }
  return true;
}

}  // namespace

NumberedChart number_chart(Screened& screened, ChartShape shape, ChartIdentity identity) {
  NumberedChart result;
  if (shape == ChartShape::kFlat) {
    result.reason = "its shape was not to be fitted";
    return result;
  }
  std::vector<ViewPoints*> views;
  for (ScreenedView& view : screened.views) {
    if (!view.usable()) continue;
    if (!is_flat(view.points)) {
      result.reason = "it is described with heights of its own";
      return result;
    }
    views.push_back(&view.points);
  }
  if (shape == ChartShape::kAuto && identity == ChartIdentity::kUnknown && !same_extent(views)) {
    result.reason =
        "its frames show different parts of it; give the number of its inner corners, such as 14x9 "
        "(observations: a line '# grid: 14x9'), to have it tested";
    return result;
  }
  if (shape == ChartShape::kAuto && identity == ChartIdentity::kPerView) {
    result.reason =
        "its columns and rows count from the first one in sight of each frame, so that its points "
        "are not known again in another frame";
    return result;
  }
  result.sites = number_sites(views);
  return result;
}

}  // namespace trueplate::fit::detail
