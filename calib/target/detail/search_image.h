#pragma once

#include "calib/base/image.h"

namespace trueplate::target::detail {

/// Mean of each factor x factor block; pixels that are not finite do not count, and a block
/// without any becomes NaN. Blocks cut off by the right and lower border are dropped. A point at p
/// in the result lies at factor * p in `image` (pixel centres at i + 0.5 in both).
Image<float> reduce(ImageView<const float> image, int factor);

/// The values below which `low` and `high` (0..1) of the finite pixels lie; found on a subset of
/// about 60000 pixels. Both 0 when no pixel is finite.
struct Range {
  float low = 0.0F;
  float high = 0.0F;
};
Range percentiles(ImageView<const float> image, double low, double high);

}  // namespace trueplate::target::detail
