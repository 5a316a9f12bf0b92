#include "charts/draw/detection_picture.h"

#include <cairo.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <vector>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "charts/draw/detail/cairo_shapes.h"
#include "charts/draw/detail/detection_marks.h"
#include "charts/draw/detail/viewing_image.h"

namespace trueplate::draw {
namespace {

using Surface = std::unique_ptr<cairo_surface_t, decltype(&cairo_surface_destroy)>;
using Context = std::unique_ptr<cairo_t, decltype(&cairo_destroy)>;

constexpr int kLargestFactor = 4;
constexpr int kLeastCanvasWidth = 720;    // so that a caption has room
constexpr ImageSize kBlank = {960, 540};  // in place of a frame that cannot be read
constexpr std::size_t kLongestName = 200;
constexpr std::size_t kLongestReason = 600;

/// Where things are in the picture, in its pixels.
struct Layout {
  double scale = 1.0;
  ImageSize shown;  // the frame
  ImageSize canvas;
  double stroke = 1.0;
  double text_size = 14.0;
  [[nodiscard]] double line_height() const { return 1.4 * text_size; }
};

Layout layout_of(const DetectionScene& scene) {
  Layout layout;
  layout.shown = kBlank;
  if (scene.luma.data != nullptr) {
    const ImageSize size = scene.luma.size();
    layout.scale = detection_picture_scale(size);
    const auto scaled = [&](int side) {
      return std::max(1, static_cast<int>(std::lround(side * layout.scale)));
    };
    layout.shown = {scaled(size.width), scaled(size.height)};
  }
  const int side = std::max(layout.shown.width, layout.shown.height);
  layout.stroke = std::clamp(side / 1280.0, 1.0, 1.6);
  layout.text_size = 14.0 * layout.stroke;
  layout.canvas = {std::max(layout.shown.width, kLeastCanvasWidth),
                   layout.shown.height + static_cast<int>(4.0 * layout.line_height())};
  return layout;
}

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

/// An opaque surface with the frame in its upper left corner, the rest black.
Surface frame_surface(const DetectionScene& scene, const Layout& layout) {
  Surface surface(
      cairo_image_surface_create(CAIRO_FORMAT_RGB24, layout.canvas.width, layout.canvas.height),
      &cairo_surface_destroy);
  unsigned char* const bytes = cairo_image_surface_get_data(surface.get());
  if (bytes == nullptr || scene.luma.data == nullptr) return surface;
  cairo_surface_flush(surface.get());
  const Image<float> greys = detail::viewing_image(scene.luma, judged_window(scene), layout.shown);
  const std::ptrdiff_t stride = cairo_image_surface_get_stride(surface.get());
  for (int y = 0; y < greys.height(); ++y) {
    auto* const to = reinterpret_cast<std::uint32_t*>(bytes + y * stride);
    for (int x = 0; x < greys.width(); ++x) {
      to[x] = static_cast<std::uint32_t>(std::lround(greys.at(x, y) * 255.0F)) * 0x010101U;
    }
  }
  cairo_surface_mark_dirty(surface.get());
  return surface;
}

Image<float> pixels_of(cairo_surface_t* surface, const Layout& layout) {
  cairo_surface_flush(surface);
  Image<float> picture(layout.canvas.width, layout.canvas.height, 3);
  const unsigned char* const bytes = cairo_image_surface_get_data(surface);
  if (bytes == nullptr) {
    picture.fill(0.0F);
    return picture;
  }
  const std::ptrdiff_t stride = cairo_image_surface_get_stride(surface);
  for (int y = 0; y < picture.height(); ++y) {
    const auto* const from = reinterpret_cast<const std::uint32_t*>(bytes + y * stride);
    float* to = picture.row(y);
    for (int x = 0; x < picture.width(); ++x, to += 3) {
      for (int c = 0; c < 3; ++c) {
        to[c] = static_cast<float>((from[x] >> (16 - 8 * c)) & 0xFFU) / 255.0F;
      }
    }
  }
  return picture;
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

std::string size_text(const DetectionScene& scene, const Layout& layout) {
  if (scene.luma.data == nullptr) return "not read";
  std::string text = fmt::format("{} x {}", scene.luma.width, scene.luma.height);
  if (layout.scale < 1.0) text += fmt::format(", reduced to {:.0f} %", 100.0 * layout.scale);
  if (layout.scale > 1.0) text += fmt::format(", enlarged {:.0f} times", layout.scale);
  return text;
}

void paint_caption(cairo_t* context, const DetectionScene& scene, const Layout& layout) {
  constexpr const char* kLegend =
      "ring: point    square, arrow: first point, +x    dashed: none in between    cross: seen, "
      "left "
      "out";
  const std::vector<std::string> lines = {
      fmt::format("{}   ({})", printable(scene.name, kLongestName), size_text(scene, layout)),
      scene.detection != nullptr ? grid_text(scene)
                                 : "no chart: " + printable(scene.reason, kLongestReason),
      scene.detection != nullptr ? kLegend : ""};
  cairo_set_source_rgb(context, 0.0, 0.0, 0.0);
  cairo_rectangle(context,
                  0.0,
                  layout.shown.height,
                  layout.canvas.width,
                  layout.canvas.height - layout.shown.height);
  cairo_fill(context);
  cairo_set_source_rgb(context, 1.0, 1.0, 1.0);
  const double left = 0.6 * layout.text_size;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const double base = layout.shown.height + (static_cast<double>(i) + 1.1) * layout.line_height();
    detail::paint_text(context,
                       {.words = lines[i],
                        .place = {left, base},
                        .size = layout.text_size,
                        .max_length = layout.canvas.width - 2.0 * left});
  }
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

void paint_reason(cairo_t* context, const DetectionScene& scene, const Layout& layout) {
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
  const Layout layout = layout_of(scene);
  const Surface surface = frame_surface(scene, layout);
  {
    const Context context(cairo_create(surface.get()), &cairo_destroy);
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
    paint_caption(context.get(), scene, layout);
  }
  return pixels_of(surface.get(), layout);
}

}  // namespace trueplate::draw
