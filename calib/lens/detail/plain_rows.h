#pragma once

#include <limits>
#include <optional>
#include <span>

#include "calib/lens/lens.h"

namespace trueplate::lens::detail {

/// distort_row() and undistort_row() (calib/lens/rows.h) for any model, one point after the other:
/// the way for models without kernels of their own, and the reference for those with.
/// `map` is the model's distort or undistort, from and to points on the plane z = 1.
template <class Map>
void map_row(const Lens& lens,
             double x0_px,
             double y_px,
             std::span<double> out_x,
             std::span<double> out_y,
             const Map& map) {
  constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
  for (std::size_t i = 0; i < out_x.size(); ++i) {
    const Point2d p_px(x0_px + static_cast<double>(i), y_px);
    const std::optional<Point2d> p_ideal = map(ideal_from_px(lens, p_px));
    const Point2d result_px = p_ideal ? px_from_ideal(lens, *p_ideal) : Point2d(kNone, kNone);
    out_x[i] = result_px.x();
    out_y[i] = result_px.y();
  }
}

template <class M>
void distort_row_plain(const M& model,
                       const Lens& lens,
                       double x0_px,
                       double y_px,
                       std::span<double> out_x,
                       std::span<double> out_y) {
  map_row(lens, x0_px, y_px, out_x, out_y, [&](const Point2d& p) { return model.distort(p); });
}

template <class M>
void undistort_row_plain(const M& model,
                         const Lens& lens,
                         double x0_px,
                         double y_px,
                         std::span<double> out_x,
                         std::span<double> out_y) {
  map_row(lens, x0_px, y_px, out_x, out_y, [&](const Point2d& p) { return model.undistort(p); });
}

}  // namespace trueplate::lens::detail
