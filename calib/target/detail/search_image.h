#pragma once

#include <vector>

#include "calib/base/image.h"

namespace trueplate::target::detail {

/// Mean of each factor x factor block; pixels that are not finite do not count, and a block
/// without any becomes NaN. Blocks cut off by the right and lower border are dropped. A point at p
/// in the result lies at factor * p in `image` (pixel centres at i + 0.5 in both).
Image<float> reduce(ImageView<const float> image, int factor);

/// By how much an image is reduced for the search, in the order tried. Half of the search size
/// suffices for most charts and is quick; a smaller one sees through a strong blur, a larger one
/// finds small squares and marks.
std::vector<int> search_factors(ImageView<const float> image, int search_side_px);

/// A chart this large, found on one reduced copy of the frame, is taken for all there is; a smaller
/// one may be a part of a finer chart that another copy shows better.
inline constexpr int kPlentyNodes = 40;

/// The values below which `low` and `high` (0..1) of the finite pixels lie; found on a subset of
/// about 60000 pixels. Both 0 when no pixel is finite.
struct Range {
  float low = 0.0F;
  float high = 0.0F;
};
Range percentiles(ImageView<const float> image, double low, double high);

}  // namespace trueplate::target::detail
