#pragma once

#include <cairo.h>

#include "charts/draw/shapes.h"

namespace trueplate::draw::detail {

/// Paints shapes on a Cairo context whose user space is that of the drawing.
void paint(cairo_t* context, const Shape& shape);

/// The text alone, in the context's current colour.
void paint_text(cairo_t* context, const Text& text);

}  // namespace trueplate::draw::detail
