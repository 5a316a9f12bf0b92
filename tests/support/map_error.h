#pragma once

#include "calib/lens/lens.h"

namespace trueplate::tests {

struct MapError {
  double rms_px = 0.0;
  double max_px = 0.0;
};

/// How far off a lens images what it straightens, in plate pixels over a grid on the plate, after
/// the best scale and shift of each axis of the straightened picture: as field_error(), but where
/// it is seen on the plate, which is what a map's standard deviation is about. A point that only
/// one lens can straighten counts as infinitely wrong.
MapError map_error(const lens::Lens& found, const lens::Lens& truth);

}  // namespace trueplate::tests
