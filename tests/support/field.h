#pragma once

#include "calib/lens/lens.h"

namespace trueplate::tests {

struct FieldError {
  double rms_px = 0.0;
  double max_px = 0.0;
};

/// How far two lenses disagree on where plate points straighten to, over a grid of points on the
/// plate, after the best scale and shift of each axis (which a camera solve with free focal length
/// and principal point takes up). A point that only one lens can straighten counts as infinitely
/// wrong.
FieldError field_error(const lens::Lens& found, const lens::Lens& truth);

}  // namespace trueplate::tests
