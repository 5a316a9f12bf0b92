#include "calib/lens/rows.h"

#include <limits>

namespace trueplate::lens {
namespace {

template <class Map>
void map_row(double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y, Map map) {
  constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
  for (std::size_t i = 0; i < out_x.size(); ++i) {
    const std::optional<Point2d> p = map(Point2d(x0_px + static_cast<double>(i), y_px));
    out_x[i] = p ? p->x() : kNone;
    out_y[i] = p ? p->y() : kNone;
  }
}

}  // namespace

void distort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y) {
  map_row(x0_px, y_px, out_x, out_y, [&](const Point2d& p) { return distort_px(lens, p); });
}

void undistort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y) {
  map_row(x0_px, y_px, out_x, out_y, [&](const Point2d& p) { return undistort_px(lens, p); });
}

}  // namespace trueplate::lens
