#include "charts/draw/raster.h"

#include <cairo.h>

#include <algorithm>
#include <cmath>
#include <memory>

#include "charts/draw/detail/cairo_shapes.h"

namespace trueplate::draw {
namespace {

// Samples along each side of a pixel that a slanted or round edge may cross.
constexpr int kSamples = 16;
// Places closer than this to the border of pixels lie on it: they were computed from whole numbers.
constexpr double kSnap = 1e-6;

double on_grid(double value) {
  const double whole = std::round(value);
  return std::abs(value - whole) < kSnap ? whole : value;
}

float level(Shade shade) { return shade == Shade::kLight ? 1.0F : 0.0F; }

void blend(float& pixel, Shade shade, double share) {
  pixel += static_cast<float>(share) * (level(shade) - pixel);
}

/// The pixels first .. last - 1 that a stretch may touch, within 0 .. size.
struct Span {
  int first = 0;
  int last = 0;
};
Span span_of(double low, double high, int size) {
  return {static_cast<int>(std::clamp(std::floor(low), 0.0, static_cast<double>(size))),
          static_cast<int>(std::clamp(std::ceil(high), 0.0, static_cast<double>(size)))};
}

void fill_box(Image<float>& image, const Box& box) {
  const Point2d low(on_grid(box.low.x()), on_grid(box.low.y()));
  const Point2d high(on_grid(box.high.x()), on_grid(box.high.y()));
  const Span columns = span_of(low.x(), high.x(), image.width());
  const Span rows = span_of(low.y(), high.y(), image.height());
  const auto share = [](int pixel, double begin, double end) {
    return std::min(pixel + 1.0, end) - std::max<double>(pixel, begin);
  };
  for (int y = rows.first; y < rows.last; ++y) {
    const double share_y = share(y, low.y(), high.y());
    float* row = image.row(y);
    for (int x = columns.first; x < columns.last; ++x) {
      blend(row[x], box.shade, share_y * share(x, low.x(), high.x()));
    }
  }
}

/// Fills what `is_inside` says, by samples, in the pixels that `around` touches.
template <class Inside>
void fill_samples(Image<float>& image, const Box& around, Shade shade, const Inside& is_inside) {
  const Span columns = span_of(around.low.x(), around.high.x(), image.width());
  const Span rows = span_of(around.low.y(), around.high.y(), image.height());
  for (int y = rows.first; y < rows.last; ++y) {
    for (int x = columns.first; x < columns.last; ++x) {
      int inside = 0;
      for (int j = 0; j < kSamples; ++j) {
        for (int i = 0; i < kSamples; ++i) {
          inside += is_inside(Point2d(x + (i + 0.5) / kSamples, y + (j + 0.5) / kSamples)) ? 1 : 0;
        }
      }
      blend(image.at(x, y), shade, inside / static_cast<double>(kSamples * kSamples));
    }
  }
}

void write_text(Image<float>& image, const Text& text) {
  // A surface of its own for each text: the library's have a largest side.
  const Box around = bounds(text);
  const Span columns = span_of(around.low.x(), around.high.x(), image.width());
  const Span rows = span_of(around.low.y(), around.high.y(), image.height());
  if (columns.first >= columns.last || rows.first >= rows.last) return;
  using Surface = std::unique_ptr<cairo_surface_t, decltype(&cairo_surface_destroy)>;
  const Surface surface(cairo_image_surface_create(
                            CAIRO_FORMAT_A8, columns.last - columns.first, rows.last - rows.first),
                        &cairo_surface_destroy);
  cairo_t* const context = cairo_create(surface.get());
  cairo_translate(context, -columns.first, -rows.first);
  cairo_set_source_rgba(context, 0.0, 0.0, 0.0, 1.0);
  detail::paint_text(context, text);
  cairo_destroy(context);
  cairo_surface_flush(surface.get());
  const unsigned char* const mask = cairo_image_surface_get_data(surface.get());
  if (mask == nullptr) return;
  const std::ptrdiff_t stride = cairo_image_surface_get_stride(surface.get());
  for (int y = rows.first; y < rows.last; ++y) {
    const unsigned char* const from = mask + (y - rows.first) * stride;
    for (int x = columns.first; x < columns.last; ++x) {
      blend(image.at(x, y), Shade::kDark, from[x - columns.first] / 255.0);
    }
  }
}

struct Painter {
  Image<float>& image;

  void operator()(const Box& box) const { fill_box(image, box); }
  void operator()(const Region& region) const {
    for (const Box& box : region.boxes) fill_box(image, box);
  }
  void operator()(const Disc& disc) const {
    const double radius_squared = disc.radius * disc.radius;
    fill_samples(image, bounds(disc), disc.shade, [&](const Point2d& p) {
      return (p - disc.center).squaredNorm() < radius_squared;
    });
  }
  void operator()(const Polygon& polygon) const {
    const std::vector<Point2d>& corners = polygon.corners;
    fill_samples(image, bounds(polygon), polygon.shade, [&](const Point2d& p) {
      bool any_left = false;
      bool any_right = false;
      for (std::size_t i = 0; i < corners.size(); ++i) {
        const Point2d edge = corners[(i + 1) % corners.size()] - corners[i];
        const Point2d to = p - corners[i];
        const double side = edge.x() * to.y() - edge.y() * to.x();
        any_left = any_left || side < 0.0;
        any_right = any_right || side > 0.0;
      }
      return !(any_left && any_right);
    });
  }
  void operator()(const Text& text) const { write_text(image, text); }
};

}  // namespace

Image<float> rasterize(const Drawing& drawing) {
  Image<float> image(static_cast<int>(drawing.width), static_cast<int>(drawing.height), 1);
  image.fill(1.0F);
  for (const Shape& shape : drawing.shapes) std::visit(Painter{image}, shape);
  return image;
}

float display_coded(float linear) {
  if (linear <= 0.0031308F) return 12.92F * linear;
  return 1.055F * std::pow(linear, 1.0F / 2.4F) - 0.055F;
}

}  // namespace trueplate::draw
