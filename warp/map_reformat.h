#pragma once

#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// A map made of another one, and what has to be said of it.
struct MadeMap {
  StMap map;
  std::vector<Warning> warnings;
};

/// How plate and straight picture become those of another format.
struct Reformat {
  std::optional<ImageSize> size = {};  // both are resized to this
  /// Then both are cropped to this window of the resized display window.
  std::optional<Window> crop = {};
  TOrigin t_origin = TOrigin::kBottomLeft;
};
/// The map for pictures that were resized and cropped alike. The overscan is resized with them; a
/// crop drops it, for what lies beside the crop is picture.
/// warnings  `map-stretched` (value: y over x scale): the format has other proportions
/// errors    an invalid map; a crop that is empty or reaches beyond the picture
Result<MadeMap> reformat_map(const StMap& map, const Reformat& reformat, int threads);

}  // namespace trueplate::warp
