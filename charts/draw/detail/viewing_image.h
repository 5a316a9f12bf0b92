#pragma once

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::draw::detail {

/// A plate of any range and transfer as greys kDarkestGrey to kLightestGrey, `size` large; black
/// and white are left to marks. Positions scale by size / luma.size(). A pixel of the result is the
/// mean of the area it covers, of its finite pixels; the darkest grey where there is none.
///
/// judged   the pixels that decide what becomes dark and light, within the image; not empty
inline constexpr float kDarkestGrey = 0.08F;
inline constexpr float kLightestGrey = 0.85F;
[[nodiscard]] Image<float> viewing_image(ImageView<const float> luma,
                                         const Window& judged,
                                         ImageSize size);

}  // namespace trueplate::draw::detail
