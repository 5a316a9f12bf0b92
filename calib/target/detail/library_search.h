#pragma once

#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::target::detail {

/// Searches `image` for columns x rows inner corners with OpenCV's two detectors, on several
/// renderings of the image into 8 bits, cheap attempts first. Returns the corners row by row as
/// the library orders them (pixel centres at i + 0.5), good to a pixel or so; nullopt when no
/// attempt succeeds. Exceptions of OpenCV count as a failed attempt.
std::optional<std::vector<Point2d>> library_search(ImageView<const float> image,
                                                   int columns,
                                                   int rows);

}  // namespace trueplate::target::detail
