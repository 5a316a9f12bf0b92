#include "charts/draw/detection_picture.h"

#include <cairo.h>
#include <fmt/format.h>

#include <algorithm>
#include <vector>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "charts/draw/detail/cairo_shapes.h"
#include "charts/draw/detail/detection_marks.h"
#include "charts/draw/detail/frame_canvas.h"

namespace trueplate::draw {
namespace {

using detail::FrameCanvas;

constexpr int kLargestFactor = 4;
constexpr std::size_t kLongestName = 200;
constexpr std::size_t kLongestReason = 600;

/// The pixels that decide about dark and light.
Window judged_window(const DetectionScene& scene) {
  const ImageSize size = scene.luma.size();
  if (scene.detection == nullptr || scene.detection->corners.empty()) {
    return {.x = 0, .y = 0, .width = size.width, .height = size.height};
  }
  Point2d low(size.width, size.height);
  Point2d high(0.0, 0.0);
  for (const target::Corner& corner : scene.detection->corners) {
    low = low.cwiseMin(corner.p_plate_px);
    high = high.cwiseMax(corner.p_plate_px);
  }
  const auto span = [](double begin, double end, int limit) {
    const int first = std::clamp(static_cast<int>(begin), 0, limit - 1);
    return std::pair(first, std::clamp(static_cast<int>(end) + 1, first + 1, limit) - first);
  };
  const auto [x, width] = span(low.x(), high.x(), size.width);
  const auto [y, height] = span(low.y(), high.y(), size.height);
  return {.x = x, .y = y, .width = width, .height = height};
}

std::string grid_text(const DetectionScene& scene) {
  const target::Detection& detection = *scene.detection;
  std::vector<double> sigmas;
  for (const target::Corner& corner : detection.corners) {
    if (std::isfinite(corner.sigma_px)) sigmas.push_back(corner.sigma_px);
  }
  std::string text = fmt::format(
      "{} points of {}", detection.corners.size(), target::chart_kind_name(scene.chart.kind));
  if (detection.num_dropped_corners > 0) {
    text += fmt::format("; {} seen in {} separate parts left out",
                        detection.num_dropped_corners,
                        detection.num_dropped_pieces);
  }
  if (detection.blur_px > 0.0) text += fmt::format("; blur {:.2f} px", detection.blur_px);
  if (!sigmas.empty()) {
    const auto middle = sigmas.begin() + static_cast<std::ptrdiff_t>(sigmas.size() / 2);
    std::nth_element(sigmas.begin(), middle, sigmas.end());
    text += fmt::format("; sigma {:.3f} px", *middle);
  }
  return text;
}

std::vector<std::string> caption_of(const DetectionScene& scene, const FrameCanvas& canvas) {
  constexpr const char* kLegend =
      "ring: point    square, arrow: first point, +x    dashed: none in between    cross: seen, "
      "left "
      "out";
  return {fmt::format("{}   ({})",
                      printable(scene.name, kLongestName),
                      detail::size_text(scene.luma.size(), canvas)),
          scene.detection != nullptr ? grid_text(scene)
                                     : "no chart: " + printable(scene.reason, kLongestReason),
          scene.detection != nullptr ? kLegend : ""};
}

/// Words in lines of at most `most` letters; a longer word has a line of its own.
std::vector<std::string> wrapped(const std::string& text, std::size_t most) {
  std::vector<std::string> lines = {""};
  for (const std::string_view word : split(text, ' ')) {
    if (!lines.back().empty() && lines.back().size() + 1 + word.size() > most) lines.emplace_back();
    if (!lines.back().empty()) lines.back() += ' ';
    lines.back() += word;
  }
  return lines;
}

void paint_reason(cairo_t* context, const DetectionScene& scene, const FrameCanvas& layout) {
  const double size = 1.3 * layout.text_size;
  const double margin = size;
  const double width = layout.canvas.width - 2.0 * margin;
  const auto letters = static_cast<std::size_t>((width - 2.0 * margin) / (0.62 * size));
  std::vector<std::string> lines = wrapped(printable(scene.reason, kLongestReason), letters);
  lines.insert(lines.begin(), "no chart");
  const double height = (static_cast<double>(lines.size()) + 1.0) * 1.4 * size;
  cairo_rectangle(context, margin, margin, width, height);
  cairo_set_source_rgb(context, 0.0, 0.0, 0.0);
  cairo_fill_preserve(context);
  cairo_set_source_rgb(context, 1.0, 1.0, 1.0);
  cairo_set_line_width(context, 2.0 * layout.stroke);
  cairo_stroke(context);
  for (std::size_t i = 0; i < lines.size(); ++i) {
    detail::paint_text(
        context,
        {.words = lines[i],
         .place = {2.0 * margin, margin + (static_cast<double>(i) + 1.2) * 1.4 * size},
         .size = size,
         .max_length = width - 2.0 * margin});
  }
}

}  // namespace

double detection_picture_scale(ImageSize frame) {
  const int side = std::max({frame.width, frame.height, 1});
  if (side > kLargestShownSide) return static_cast<double>(kLargestShownSide) / side;
  return std::clamp((kWantedShownSide + side - 1) / side, 1, kLargestFactor);
}

Image<float> detection_picture(const DetectionScene& scene) {
  const FrameCanvas layout = detail::frame_canvas(scene.luma.size());
  const detail::Surface surface = detail::frame_surface(scene.luma, judged_window(scene), layout);
  {
    const detail::Context context(cairo_create(surface.get()), &cairo_destroy);
    if (scene.detection != nullptr) {
      detail::paint_detection(context.get(),
                              *scene.detection,
                              scene.chart,
                              {.scale = layout.scale,
                               .stroke = layout.stroke,
                               .text_size = layout.text_size,
                               .shown = layout.shown});
    } else {
      paint_reason(context.get(), scene, layout);
    }
    detail::paint_caption(context.get(), caption_of(scene, layout), layout);
  }
  return detail::pixels_of(surface.get(), layout);
}

}  // namespace trueplate::draw
