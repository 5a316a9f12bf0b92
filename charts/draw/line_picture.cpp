#include "charts/draw/line_picture.h"

#include <cairo.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>

#include "calib/base/counted.h"
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

/// The label of a line, and the part of the picture that it covers.
struct Label {
  Text text;
  Point2d low = {0.0, 0.0};
  Point2d high = {0.0, 0.0};

  [[nodiscard]] bool meets(const Label& other) const {
    return (low.array() < other.high.array()).all() && (other.low.array() < high.array()).all();
  }
};

/// With its middle a share of the way along the line.
Label label_at(double share, const DrawnLine& line, const FrameCanvas& canvas) {
  constexpr double kWidth = 0.62;  // of a character of digits, points and blanks, over its height
  const double size = 0.8 * canvas.text_size;
  const auto last = static_cast<double>(line.points_px.size() - 1);
  const Point2d place =
      canvas.scale * line.points_px[static_cast<std::size_t>(std::lround(share * last))] -
      Point2d(0.0, 0.4 * size);
  std::string words = fmt::format("{}: {:.1f}", printable(line.name, kLongestLabel), line.bend_px);
  const Point2d half(0.5 * kWidth * size * static_cast<double>(words.size()), 0.5 * size);
  const Point2d middle = place - Point2d(0.0, 0.36 * size);
  return {.text = {.words = std::move(words),
                   .place = place,
                   .size = size,
                   .align = TextAlign::kMiddle},
          .low = middle - half,
          .high = middle + half};
}

/// Labels that cover no other, those of the longest lines first; where a line has no room for its
/// own it goes without.
std::vector<Label> labels_of(const std::vector<DrawnLine>& lines, const FrameCanvas& canvas) {
  std::vector<std::pair<double, const DrawnLine*>> by_length;
  for (const DrawnLine& line : lines) {
    if (!line.used || line.points_px.size() < 2) continue;
    const double length = canvas.scale * (line.points_px.back() - line.points_px.front()).norm();
    if (length >= kLeastLabelled) by_length.emplace_back(length, &line);
  }
  std::stable_sort(by_length.begin(), by_length.end(), [](const auto& a, const auto& b) {
    return a.first > b.first;
  });
  std::vector<Label> labels;
  for (const auto& [length, line] : by_length) {
    for (const double share : {0.5, 0.38, 0.62, 0.25, 0.75, 0.12, 0.88}) {
      Label label = label_at(share, *line, canvas);
      if (std::any_of(labels.begin(), labels.end(), [&](const Label& other) {
            return label.meets(other);
          })) {
        continue;
      }
      labels.push_back(std::move(label));
      break;
    }
  }
  return labels;
}

std::vector<std::string> caption_of(const LineScene& scene, const FrameCanvas& canvas) {
  std::size_t num_used = 0;
  for (const DrawnLine& line : scene.lines) num_used += line.used ? 1 : 0;
  return {fmt::format("{}   ({})",
                      printable(scene.name, kLongestName),
                      detail::size_text(scene.luma.size(), canvas)),
          scene.lines.empty() ? "no lines: " + printable(scene.reason, kLongestReason)
                              : fmt::format("{}, {} used for the lens, {} left out",
                                            counted(scene.lines.size(), "line"),
                                            num_used,
                                            scene.lines.size() - num_used),
          scene.lines.empty()
              ? ""
              : "solid: used, with its name and how far it bends in px where there is "
                "room    dashed, slashed: left out"};
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
    for (const Label& label : labels_of(scene.lines, canvas)) {
      detail::paint_rimmed_text(context.get(), label.text, canvas.stroke);
    }
    detail::paint_caption(context.get(), caption_of(scene, canvas), canvas);
  }
  return detail::pixels_of(surface.get(), canvas);
}

}  // namespace trueplate::draw
