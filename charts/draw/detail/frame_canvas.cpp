#include "charts/draw/detail/frame_canvas.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "charts/draw/detail/cairo_shapes.h"
#include "charts/draw/detail/viewing_image.h"
#include "charts/draw/detection_picture.h"

namespace trueplate::draw::detail {
namespace {

constexpr int kLeastCanvasWidth = 720;    // so that a caption has room
constexpr ImageSize kBlank = {960, 540};  // in place of a frame that cannot be read

}  // namespace

FrameCanvas frame_canvas(ImageSize frame) {
  FrameCanvas canvas;
  canvas.shown = kBlank;
  if (frame.width > 0 && frame.height > 0) {
    canvas.scale = detection_picture_scale(frame);
    const auto scaled = [&](int side) {
      return std::max(1, static_cast<int>(std::lround(side * canvas.scale)));
    };
    canvas.shown = {scaled(frame.width), scaled(frame.height)};
  }
  const int side = std::max(canvas.shown.width, canvas.shown.height);
  canvas.stroke = std::clamp(side / 1280.0, 1.0, 1.6);
  canvas.text_size = 14.0 * canvas.stroke;
  canvas.canvas = {std::max(canvas.shown.width, kLeastCanvasWidth),
                   canvas.shown.height + static_cast<int>(4.0 * canvas.line_height())};
  return canvas;
}

Surface frame_surface(ImageView<const float> luma,
                      const Window& judged,
                      const FrameCanvas& canvas) {
  Surface surface(
      cairo_image_surface_create(CAIRO_FORMAT_RGB24, canvas.canvas.width, canvas.canvas.height),
      &cairo_surface_destroy);
  unsigned char* const bytes = cairo_image_surface_get_data(surface.get());
  if (bytes == nullptr || luma.data == nullptr) return surface;
  cairo_surface_flush(surface.get());
  const Image<float> greys = viewing_image(luma, judged, canvas.shown);
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

Image<float> pixels_of(cairo_surface_t* surface, const FrameCanvas& canvas) {
  cairo_surface_flush(surface);
  Image<float> picture(canvas.canvas.width, canvas.canvas.height, 3);
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

std::string size_text(ImageSize frame, const FrameCanvas& canvas) {
  if (frame.width <= 0) return "not read";
  std::string text = fmt::format("{} x {}", frame.width, frame.height);
  if (canvas.scale < 1.0) text += fmt::format(", reduced to {:.0f} %", 100.0 * canvas.scale);
  if (canvas.scale > 1.0) text += fmt::format(", enlarged {:.0f} times", canvas.scale);
  return text;
}

void paint_caption(cairo_t* context,
                   const std::vector<std::string>& lines,
                   const FrameCanvas& canvas) {
  cairo_set_source_rgb(context, 0.0, 0.0, 0.0);
  cairo_rectangle(context,
                  0.0,
                  canvas.shown.height,
                  canvas.canvas.width,
                  canvas.canvas.height - canvas.shown.height);
  cairo_fill(context);
  cairo_set_source_rgb(context, 1.0, 1.0, 1.0);
  const double left = 0.6 * canvas.text_size;
  for (std::size_t i = 0; i < lines.size(); ++i) {
    const double base = canvas.shown.height + (static_cast<double>(i) + 1.1) * canvas.line_height();
    paint_text(context,
               {.words = lines[i],
                .place = {left, base},
                .size = canvas.text_size,
                .max_length = canvas.canvas.width - 2.0 * left});
  }
}

}  // namespace trueplate::draw::detail
