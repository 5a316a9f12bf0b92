#pragma once

#include <span>

#include "calib/lens/lens.h"

namespace trueplate::lens {

/// Largest difference, in pixels, between the batch functions below and distort_px/undistort_px.
inline constexpr double kRowTolerancePx = 1e-8;

/// Batch form of distort_px for one row of points (x0_px + i, y_px), i = 0 .. out_x.size() - 1, in
/// plate pixels. Writes plate coordinates; NaN where the point lies outside the model's domain.
/// Vectorised for the processor it runs on. Safe from any thread.
void distort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y);

/// Batch form of undistort_px; NaN where there is no inverse.
void undistort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y);

}  // namespace trueplate::lens
