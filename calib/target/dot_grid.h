#pragma once

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"

namespace trueplate::target {

/// Finds a grid of dots, square or staggered, and measures the images of the dots' centres
/// (dot.h). Input, result and errors as for detect_chart().
///
/// The dots may have any size from about 0.1 to 0.9 of their distance and be dark or light; size
/// and colour are read from the picture. A dot counts when its whole edge is in sight.
///
/// Nothing on such a chart marks an origin. Of the turns that fit, x is the one that points most to
/// the right. A staggered chart of known grid has, where its number of rows is odd, only one turn
/// that fits: row 0 is one of the two that begin half a pitch before the others.
///
/// A staggered chart is a square grid of the pitch / sqrt(2), turned by 45 degrees, and nothing in
/// a picture without its border tells the two apart: chart.kind decides how it is read.
Result<Detection> detect_dots(ImageView<const float> luma,
                              const Chart& chart,
                              const DetectOptions& options = {});

}  // namespace trueplate::target
