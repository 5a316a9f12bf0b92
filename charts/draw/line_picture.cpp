#include "charts/draw/line_picture.h"

#include <cairo.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "calib/base/utf8.h"
#include "charts/draw/detail/detection_marks.h"
#include "charts/draw/detail/frame_canvas.h"

namespace trueplate::draw {
namespace {

using detail::FrameCanvas;

constexpr std::size_t kLongestName = 200;
constexpr std::size_t kLongestLabel = 24;
constexpr std::size_t kLongestReason = 600;
constexpr double kLeastLabelled = 60.0;  // picture pixels; a label on a shorter line covers it

/// Strokes the current path, with its rim first, and forgets it.
void stroke_rimmed(cairo_t* context, const std::array<double, 3>& colour, double width) {
  cairo_set_source_rgba(context, 0.0, 0.0, 0.0, 0.75);
  cairo_set_line_width(context, 2.6 * width);
  cairo_stroke_preserve(context);
  cairo_set_source_rgb(context, colour[0], colour[1], colour[2]);
  cairo_set_line_width(context, width);
  cairo_stroke(context);
}

void paint_line(cairo_t* context, const DrawnLine& line, const FrameCanvas& canvas) {
  // A pair that the usual kinds of colour blindness keep apart.
  constexpr std::array kUsed{0.36, 0.86, 0.80};
  constexpr std::array kLeftOut{0.95, 0.55, 0.42};
  cairo_new_path(context);
  for (const Point2d& p : line.points_px) {
    cairo_line_to(context, canvas.scale * p.x(), canvas.scale * p.y());
  }
  if (line.used) {
    stroke_rimmed(context, kUsed, 1.1 * canvas.stroke);
    return;
  }
  const std::array dashes{7.0 * canvas.stroke, 6.0 * canvas.stroke};
  cairo_set_dash(context, dashes.data(), 2, 0.0);
  stroke_rimmed(context, kLeftOut, 1.1 * canvas.stroke);
  cairo_set_dash(context, nullptr, 0, 0.0);
  const Point2d middle = canvas.scale * line.points_px[line.points_px.size() / 2];
  const Point2d way = (line.points_px.back() - line.points_px.front()).normalized();
  const Point2d slash = 6.0 * canvas.stroke * Point2d(way.x() - way.y(), way.y() + way.x());
  cairo_move_to(context, middle.x() - slash.x(), middle.y() - slash.y());
  cairo_line_to(context, middle.x() + slash.x(), middle.y() + slash.y());
  stroke_rimmed(context, kLeftOut, 1.6 * canvas.stroke);
}

void paint_label(cairo_t* context, const DrawnLine& line, const FrameCanvas& canvas) {
  const Point2d chord = canvas.scale * (line.points_px.back() - line.points_px.front());
  if (!line.used || chord.norm() < kLeastLabelled) return;
  const Point2d middle = canvas.scale * line.points_px[line.points_px.size() / 2];
  const double size = 0.8 * canvas.text_size;
  detail::paint_rimmed_text(
      context,
      {.words = fmt::format("{}: {:.1f}", printable(line.name, kLongestLabel), line.bend_px),
       .place = middle - Point2d(0.0, 0.4 * size),
       .size = size,
       .align = TextAlign::kMiddle},
      canvas.stroke);
}

std::vector<std::string> caption_of(const LineScene& scene, const FrameCanvas& canvas) {
  std::size_t num_used = 0;
  for (const DrawnLine& line : scene.lines) num_used += line.used ? 1 : 0;
  return {fmt::format("{}   ({})",
                      printable(scene.name, kLongestName),
                      detail::size_text(scene.luma.size(), canvas)),
          scene.lines.empty() ? "no lines: " + printable(scene.reason, kLongestReason)
                              : fmt::format("{} lines, {} used for the lens, {} left out",
                                            scene.lines.size(),
                                            num_used,
                                            scene.lines.size() - num_used),
          scene.lines.empty() ? ""
                              : "solid: used, with its name and how far it bends in px    dashed, "
                                "slashed: left out"};
}

}  // namespace

Image<float> line_picture(const LineScene& scene) {
  const FrameCanvas canvas = detail::frame_canvas(scene.luma.size());
  const Window whole{.x = 0, .y = 0, .width = scene.luma.width, .height = scene.luma.height};
  const detail::Surface surface = detail::frame_surface(scene.luma, whole, canvas);
  {
    const detail::Context context(cairo_create(surface.get()), &cairo_destroy);
    const auto is_drawn = [](const DrawnLine& line) { return line.points_px.size() > 1; };
    for (const DrawnLine& line : scene.lines) {
      if (is_drawn(line) && !line.used) paint_line(context.get(), line, canvas);
    }
    for (const DrawnLine& line : scene.lines) {
      if (is_drawn(line) && line.used) paint_line(context.get(), line, canvas);
    }
    for (const DrawnLine& line : scene.lines) {
      if (is_drawn(line)) paint_label(context.get(), line, canvas);
    }
    detail::paint_caption(context.get(), caption_of(scene, canvas), canvas);
  }
  return detail::pixels_of(surface.get(), canvas);
}

}  // namespace trueplate::draw
