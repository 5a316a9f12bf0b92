#include "charts/draw/detail/cairo_shapes.h"

#include <numbers>

namespace trueplate::draw::detail {
namespace {

void set_shade(cairo_t* context, Shade shade) {
  const double level = shade == Shade::kLight ? 1.0 : 0.0;
  cairo_set_source_rgb(context, level, level, level);
}

/// As a path that begins in the middle of its top edge: a path that is one rectangle and nothing
/// else is moved to whole pixels by some renderers (poppler's at 600 dpi by up to 0.02 mm).
void add_box(cairo_t* context, const Box& box) {
  cairo_move_to(context, box.middle().x(), box.low.y());
  cairo_line_to(context, box.high.x(), box.low.y());
  cairo_line_to(context, box.high.x(), box.high.y());
  cairo_line_to(context, box.low.x(), box.high.y());
  cairo_line_to(context, box.low.x(), box.low.y());
  cairo_close_path(context);
}

struct Painter {
  cairo_t* context;

  void operator()(const Box& box) const {
    set_shade(context, box.shade);
    add_box(context, box);
    cairo_fill(context);
  }
  void operator()(const Region& region) const {
    set_shade(context, region.shade);
    for (const Box& box : region.boxes) add_box(context, box);
    cairo_fill(context);
  }
  void operator()(const Disc& disc) const {
    set_shade(context, disc.shade);
    cairo_new_sub_path(context);
    cairo_arc(context, disc.center.x(), disc.center.y(), disc.radius, 0.0, 2.0 * std::numbers::pi);
    cairo_close_path(context);
    cairo_fill(context);
  }
  void operator()(const Polygon& polygon) const {
    set_shade(context, polygon.shade);
    cairo_new_path(context);  // a text before leaves a point
    for (const Point2d& corner : polygon.corners) cairo_line_to(context, corner.x(), corner.y());
    cairo_close_path(context);
    cairo_fill(context);
  }
  void operator()(const Text& text) const {
    set_shade(context, Shade::kDark);
    paint_text(context, text);
  }
};

}  // namespace

void paint(cairo_t* context, const Shape& shape) { std::visit(Painter{context}, shape); }

void paint_text(cairo_t* context, const Text& text) {
  cairo_save(context);
  cairo_select_font_face(context, "DejaVu Sans", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
  // Hinted widths would depend on the resolution of the device.
  cairo_font_options_t* options = cairo_font_options_create();
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
  cairo_set_font_options(context, options);
  cairo_font_options_destroy(options);
  cairo_set_font_size(context, text.size);
  cairo_text_extents_t extents;
  cairo_text_extents(context, text.words.c_str(), &extents);
  if (text.max_length > 0.0 && extents.x_advance > text.max_length) {
    cairo_set_font_size(context, text.size * text.max_length / extents.x_advance);
    cairo_text_extents(context, text.words.c_str(), &extents);
  }
  const double share = text.align == TextAlign::kStart    ? 0.0
                       : text.align == TextAlign::kMiddle ? 0.5
                                                          : 1.0;
  cairo_translate(context, text.place.x(), text.place.y());
  if (text.turn == TextTurn::kUpwards) cairo_rotate(context, -0.5 * std::numbers::pi);
  cairo_move_to(context, -share * extents.x_advance, 0.0);
  cairo_show_text(context, text.words.c_str());
  cairo_restore(context);
}

}  // namespace trueplate::draw::detail
