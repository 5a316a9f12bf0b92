#pragma once

#include <array>

#include "calib/lens/lens.h"
#include "tests/support/instruction_sets.h"

namespace trueplate::tests {

/// A lens with the focal lengths `focal_px` and the centre in the middle of the plate, unless
/// moved.
inline lens::Lens make_lens(ImageSize size,
                            double focal_px,
                            const std::array<double, 5>& parameters,
                            Point2d center_shift_px = {0.0, 0.0}) {
  lens::Lens lens;
  lens.plate_size = size;
  lens.focal_px = {focal_px, focal_px};
  lens.principal_point_px = Point2d(0.5 * size.width, 0.5 * size.height) + center_shift_px;
  lens.model = lens::RadialTangential(parameters);
  return lens;
}

}  // namespace trueplate::tests
