#include "charts/draw/vector.h"

#include <cairo-pdf.h>
#include <cairo-svg.h>
#include <cairo.h>
#include <fmt/format.h>

#include <cassert>
#include <memory>
#include <string_view>

#include "charts/draw/detail/cairo_shapes.h"

namespace trueplate::draw {
namespace {

constexpr double kPointsPerMm = 72.0 / 25.4;

using Surface = std::unique_ptr<cairo_surface_t, decltype(&cairo_surface_destroy)>;
using Context = std::unique_ptr<cairo_t, decltype(&cairo_destroy)>;

cairo_status_t append(void* bytes, const unsigned char* data, unsigned int length) {
  // An exception must not pass through the C library.
  try {
    static_cast<std::string*>(bytes)->append(reinterpret_cast<const char*>(data), length);
  } catch (...) {
    return CAIRO_STATUS_NO_MEMORY;
  }
  return CAIRO_STATUS_SUCCESS;
}

bool touches(const Box& a, const Box& b) {
  return a.low.x() < b.high.x() && b.low.x() < a.high.x() && a.low.y() < b.high.y() &&
         b.low.y() < a.high.y();
}

void paint_page(cairo_surface_t* surface, const Document& document, const Page& page) {
  const Context context(cairo_create(surface), &cairo_destroy);
  cairo_scale(context.get(), kPointsPerMm, kPointsPerMm);
  detail::paint(context.get(), Box{{0.0, 0.0}, {page.width_mm, page.height_mm}, Shade::kLight});
  cairo_save(context.get());
  const Box shown = page.window.value_or(Box{{0.0, 0.0}, {page.width_mm, page.height_mm}});
  if (page.window) {
    const Point2d size = shown.size();
    cairo_rectangle(context.get(), shown.low.x(), shown.low.y(), size.x(), size.y());
    cairo_clip(context.get());
  }
  cairo_translate(context.get(), page.shift_mm.x(), page.shift_mm.y());
  const Box wanted{shown.low - page.shift_mm, shown.high - page.shift_mm};
  for (const Shape& shape : document.drawing.shapes) {
    if (touches(bounds(shape), wanted)) detail::paint(context.get(), shape);
  }
  cairo_restore(context.get());
  for (const Shape& shape : page.marks) detail::paint(context.get(), shape);
  cairo_show_page(context.get());
}

Result<std::string> finished(Surface surface, std::string& bytes) {
  cairo_surface_finish(surface.get());
  const cairo_status_t status = cairo_surface_status(surface.get());
  if (status == CAIRO_STATUS_SUCCESS) return std::move(bytes);
  return fail(ErrorCode::kUnwritable,
              fmt::format("the chart could not be drawn ({})", cairo_status_to_string(status)));
}

/// The library numbers the surfaces of a process and writes the number as the name of the outermost
/// group; nothing refers to it, and the same page would not give the same bytes.
void name_group(std::string& svg) {
  constexpr std::string_view kName = "<g id=\"surface";
  const std::size_t found = svg.find(kName);
  if (found == std::string::npos) return;
  const std::size_t begin = found + kName.size();
  const std::size_t end = svg.find('"', begin);
  if (end != std::string::npos) svg.erase(begin, end - begin);
}

}  // namespace

Result<std::string> pdf_of(const Document& document) {
  assert(!document.pages.empty());
  std::string bytes;
  Surface surface(cairo_pdf_surface_create_for_stream(&append,
                                                      &bytes,
                                                      document.pages[0].width_mm * kPointsPerMm,
                                                      document.pages[0].height_mm * kPointsPerMm),
                  &cairo_surface_destroy);
  cairo_surface_t* const pdf = surface.get();
  const auto set = [&](cairo_pdf_metadata_t what, const std::string& value) {
    cairo_pdf_surface_set_metadata(pdf, what, value.c_str());
  };
  set(CAIRO_PDF_METADATA_TITLE, document.title);
  set(CAIRO_PDF_METADATA_CREATOR, document.program);
  set(CAIRO_PDF_METADATA_CREATE_DATE, document.date + "T00:00:00Z");
  for (const Page& page : document.pages) {
    cairo_pdf_surface_set_size(pdf, page.width_mm * kPointsPerMm, page.height_mm * kPointsPerMm);
    paint_page(pdf, document, page);
  }
  return finished(std::move(surface), bytes);
}

Result<std::string> svg_of(const Document& document, std::size_t index) {
  assert(index < document.pages.size());
  const Page& page = document.pages[index];
  std::string bytes;
  Surface surface(cairo_svg_surface_create_for_stream(
                      &append, &bytes, page.width_mm * kPointsPerMm, page.height_mm * kPointsPerMm),
                  &cairo_surface_destroy);
  paint_page(surface.get(), document, page);
  Result<std::string> svg = finished(std::move(surface), bytes);
  if (svg) name_group(*svg);
  return svg;
}

}  // namespace trueplate::draw
