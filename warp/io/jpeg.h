#pragma once

#include <string>

#include "calib/base/image.h"
#include "calib/base/result.h"

namespace trueplate::warp {

/// A picture as the bytes of a JPEG file, for a document that holds its pictures: three channels,
/// R, G and B, display coded; below 0 is 0, above 1 is 1, NaN is 0. `quality` 1 to 100.
/// errors  kInvalidInput: an empty picture, another number of channels; kUnwritable.
Result<std::string> jpeg_bytes(ImageView<const float> picture, int quality);

}  // namespace trueplate::warp
