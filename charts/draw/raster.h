#pragma once

#include "calib/base/image.h"
#include "charts/draw/chart_drawing.h"

namespace trueplate::draw {

/// The picture of a chart laid out for a screen: one channel, 1 where the screen is lit, 0 where
/// not. A pixel that an edge crosses (dots, triangles, letters) has the share that is lit, in
/// linear light; an edge that lies on the border of pixels leaves no such pixel.
[[nodiscard]] Image<float> rasterize(const Drawing& drawing);

/// What a display-coded file holds for linear light 0..1: the curve of IEC 61966-2-1 (sRGB). 0 and
/// 1 stay.
[[nodiscard]] float display_coded(float linear);

}  // namespace trueplate::draw
