#pragma once

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::target::detail {

/// How far beside a point a line runs, px across it, positive to the right of its direction (x
/// right, y down): the middle of what stands out from the paper in the picture's mean values along
/// the line. 0 where nothing is seen.
/// along            unit vector
/// half_length_px   of the stretch whose values are averaged
/// range_px         how far to both sides to look
[[nodiscard]] double offset_of_line(ImageView<const float> image,
                                    const Point2d& center_px,
                                    const Point2d& along,
                                    double half_length_px,
                                    double range_px);

}  // namespace trueplate::target::detail
