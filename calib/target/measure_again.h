#pragma once

#include <functional>
#include <optional>
#include <span>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/view.h"

namespace trueplate::target {

/// Where a point of the print, in mm as chart.h has them, is imaged: px in the frame of the image
/// that is measured (centre of pixel i at i + 0.5); nullopt where a lens has no image of it.
using ImageFromChart = std::function<std::optional<Point2d>(const Point2d& p_chart_mm)>;

/// Measures the points of a chart again, once a lens and a pose are known.
///
/// A detector has only the neighbouring points to tell how distortion and perspective bend the
/// patch of the chart around a point: roughly where the neighbours are noisy, and worse at the
/// chart's border, where they stand on one side. `image_from_chart` tells it exactly; of it the
/// place, the two steps along the grid and the three second derivatives (by finite differences,
/// a quarter of a step wide) are used. Terms of third order are even about the point or below
/// 1e-3 px over a window, and do not move it.
///
/// luma      as detect_chart() takes it
/// chart     kind and pitch; the grid need not be known
/// corners   of one frame, with chart positions as the detector gave them. A measured place far
///           from the predicted one (0.1 of a step, at least one pixel) is not where the search
///           begins; the predicted one is.
/// returns   one for each corner, in their order, with the same chart position; nullopt where the
///           point is not in sight at the predicted place.
///
/// Errors    kInvalidInput: an image of wrong shape, a chart without pitch.
/// Pure; safe from any thread if image_from_chart is.
Result<std::vector<std::optional<Corner>>> measure_again(ImageView<const float> luma,
                                                         const Chart& chart,
                                                         std::span<const Corner> corners,
                                                         const ImageFromChart& image_from_chart);

}  // namespace trueplate::target
