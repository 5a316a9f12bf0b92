#pragma once

#include <hwy/targets.h>

#include <array>
#include <cstdint>
#include <string>

#include "calib/lens/lens.h"

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

/// Runs `body(name)` as if this processor had no better instruction set than each of those it has.
template <class Body>
void on_every_target(const Body& body) {
  const std::int64_t all = hwy::SupportedTargets();
  for (const std::int64_t best : hwy::SupportedAndGeneratedTargets()) {
    hwy::SetSupportedTargetsForTest(all & ~(best - 1));  // lower bits are better sets
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    body(std::string(hwy::TargetName(best)));
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
}

}  // namespace trueplate::tests
