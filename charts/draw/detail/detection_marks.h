#pragma once

#include <cairo.h>

#include <string>

#include "calib/base/geometry.h"
#include "calib/target/chart.h"
#include "calib/target/detection.h"
#include "charts/draw/shapes.h"

namespace trueplate::draw::detail {

/// Sizes of marks in the picture.
struct DetectionMarkStyle {
  double scale = 1.0;   // picture pixels for one pixel of the frame
  double stroke = 1.0;  // width of a light stroke; its rim is as wide again on each side
  double text_size = 14.0;
  ImageSize shown = {};  // the frame in the picture: labels stay inside
};

/// Draws the marks that detection_picture() describes, on a context in picture pixels.
void paint_detection(cairo_t* context,
                     const target::Detection& detection,
                     const target::Chart& chart,
                     const DetectionMarkStyle& style);

/// Light words with a dark rim.
void paint_rimmed_text(cairo_t* context, const Text& text, double rim);

}  // namespace trueplate::draw::detail
