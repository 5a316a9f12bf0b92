#pragma once

#include <span>

#include "calib/lens/lens.h"

namespace trueplate::lens {

/// Largest difference, in pixels, between the batch functions below and distort_px/undistort_px,
/// for focal lengths up to 40000 px (undistort itself promises kInverseTolerance times the focal
/// length, so beyond that the difference may grow in proportion).
inline constexpr double kRowTolerancePx = 1e-8;

/// Batch form of distort_px for one row of points (x0_px + i, y_px), i = 0 .. out_x.size() - 1, in
/// plate pixels; out_y has the size of out_x. Writes plate coordinates; NaN in both exactly where
/// distort_px gives nullopt (the point lies outside the model's domain). Vectorised, for the
/// processor it runs on, for models that have such kernels; point by point for the others. Safe
/// from any thread.
void distort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y);

/// Batch form of undistort_px; NaN in both exactly where undistort_px gives nullopt (no inverse).
/// Each row starts afresh: the bits do not depend on other calls, but may depend on how a row of
/// pixels is cut into calls. Rows of some hundred points are fastest.
void undistort_row(
    const Lens& lens, double x0_px, double y_px, std::span<double> out_x, std::span<double> out_y);

}  // namespace trueplate::lens
