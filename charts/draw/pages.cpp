#include "charts/draw/pages.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace trueplate::draw {
namespace {

constexpr double kStroke = 0.2;  // of crop marks, mm
constexpr double kTextSize = 2.8;

Unexpected refused(std::string message) {
  return fail(ErrorCode::kInvalidInput, std::move(message));
}

Document document_of(const ChartDrawing& chart, const Imprint& imprint) {
  return {.title = chart.label,
          .program = imprint.program,
          .date = imprint.date,
          .drawing = chart.drawing,
          .pages = {}};
}

/// How many windows of `window`, each sharing `overlap` with the next, cover `length`.
double count_windows(double length, double window, double overlap) {
  return std::max(1.0, std::ceil((length - overlap) / (window - overlap) - 1e-9));
}

struct Cut {
  Sheet paper;
  Point2d window;
  double columns = 0.0;
  double rows = 0.0;
};

Cut cut_with(const Drawing& drawing, const Sheet& paper, const TileOptions& options) {
  Cut cut;
  cut.paper = paper;
  cut.window = Point2d(paper.width_mm, paper.height_mm) -
               Point2d(2.0 * options.margin_mm, 2.0 * options.margin_mm);
  cut.columns = count_windows(drawing.width, cut.window.x(), options.overlap_mm);
  cut.rows = count_windows(drawing.height, cut.window.y(), options.overlap_mm);
  return cut;
}

/// A thin line in the margin, along x or y.
void add_tick(const Point2d& begin, const Point2d& end, std::vector<Shape>& marks) {
  const Point2d half(0.5 * kStroke, 0.5 * kStroke);
  const Point2d along = (end - begin).cwiseAbs().normalized();
  const Point2d across = half - half.cwiseProduct(along);
  marks.emplace_back(Box{begin.cwiseMin(end) - across, begin.cwiseMax(end) + across, Shade::kDark});
}

/// Ticks in the margin beside x (on top and below) or y, between `near` and `far` of its depth.
void add_ticks_across(
    const Page& page, int axis, double at, double far, std::vector<Shape>& marks) {
  const double margin = page.window->low.x();
  const double size = axis == 0 ? page.height_mm : page.width_mm;
  const double near = 0.15 * margin;
  for (const auto& [a, b] : {std::pair(margin - far * margin, margin - near),
                             std::pair(size - margin + near, size - margin + far * margin)}) {
    if (axis == 0) {
      add_tick({at, a}, {at, b}, marks);
    } else {
      add_tick({a, at}, {b, at}, marks);
    }
  }
}

std::string tile_text(const TiledDocument& tiled, int column, int row, double overlap_mm) {
  return fmt::format(
      "sheet {} of {}: column {} of {}, row {} of {}; cut at the corner marks, lay "
      "over the next by {} mm, to its short marks",
      row * tiled.columns + column + 1,
      tiled.columns * tiled.rows,
      column + 1,
      tiled.columns,
      row + 1,
      tiled.rows,
      mm_text(overlap_mm));
}

Page tile_page(const TiledDocument& tiled, int column, int row, const TileOptions& options) {
  Page page;
  page.width_mm = tiled.paper.width_mm;
  page.height_mm = tiled.paper.height_mm;
  const Point2d margin(options.margin_mm, options.margin_mm);
  page.window = Box{margin, Point2d(page.width_mm, page.height_mm) - margin};
  page.shift_mm = margin - Point2d(column * tiled.step_mm.x(), row * tiled.step_mm.y());
  for (int axis = 0; axis < 2; ++axis) {
    const double low = axis == 0 ? page.window->low.x() : page.window->low.y();
    const double high = axis == 0 ? page.window->high.x() : page.window->high.y();
    const int index = axis == 0 ? column : row;
    const int count = axis == 0 ? tiled.columns : tiled.rows;
    add_ticks_across(page, axis, low, 0.75, page.marks);
    add_ticks_across(page, axis, high, 0.75, page.marks);
    if (options.overlap_mm <= 0.0) continue;
    if (index > 0) add_ticks_across(page, axis, low + options.overlap_mm, 0.4, page.marks);
    if (index + 1 < count) add_ticks_across(page, axis, high - options.overlap_mm, 0.4, page.marks);
  }
  const double inset = std::max(options.overlap_mm, 3.0) + 2.0;
  page.marks.emplace_back(
      Text{.words = tile_text(tiled, column, row, options.overlap_mm),
           .place = {page.window->low.x() + inset,
                     page.window->high.y() + 0.45 * options.margin_mm + 0.35 * kTextSize},
           .size = std::min(kTextSize, 0.5 * options.margin_mm),
           .max_length = page.window->size().x() - 2.0 * inset});
  return page;
}

}  // namespace

Document single_page(const ChartDrawing& chart, const Imprint& imprint) {
  Document document = document_of(chart, imprint);
  document.pages.push_back({.width_mm = chart.drawing.width,
                            .height_mm = chart.drawing.height,
                            .window = {},
                            .marks = {}});
  return document;
}

Result<TiledDocument> tile_pages(const ChartDrawing& chart,
                                 const Imprint& imprint,
                                 const TileOptions& options) {
  if (Result<void> good = check_sheet(options.paper, kMaxSheetSideMm); !good) {
    return fail(good.error());
  }
  const double margin = options.margin_mm;
  const double overlap = options.overlap_mm;
  if (!(std::isfinite(margin) && margin >= kMinTileMarginMm)) {
    return refused(fmt::format("a margin of {} mm; tiles need at least {} mm for their crop marks",
                               mm_text(margin),
                               mm_text(kMinTileMarginMm)));
  }
  const double shorter = std::min(options.paper.width_mm, options.paper.height_mm);
  if (!(std::isfinite(overlap) && overlap >= 0.0 &&
        shorter - 2.0 * margin >= 2.0 * overlap + 10.0)) {
    return refused(fmt::format("an overlap of {} mm and margins of {} mm do not suit tiles of {}",
                               mm_text(overlap),
                               mm_text(margin),
                               sheet_text(options.paper)));
  }
  Cut cut = cut_with(chart.drawing, options.paper, options);
  Sheet turned = options.paper;
  std::swap(turned.width_mm, turned.height_mm);
  const Cut other = cut_with(chart.drawing, turned, options);
  if (other.columns * other.rows < cut.columns * cut.rows) cut = other;
  if (cut.columns * cut.rows > kMaxTiles) {
    return refused(
        fmt::format("{} x {} mm take {:.0f} tiles of {}; at most {} are made, choose "
                    "larger ones",
                    mm_text(chart.drawing.width),
                    mm_text(chart.drawing.height),
                    cut.columns * cut.rows,
                    sheet_text(options.paper),
                    kMaxTiles));
  }
  TiledDocument tiled;
  tiled.document = document_of(chart, imprint);
  tiled.columns = static_cast<int>(cut.columns);
  tiled.rows = static_cast<int>(cut.rows);
  tiled.paper = cut.paper;
  tiled.step_mm = cut.window - Point2d(overlap, overlap);
  for (int row = 0; row < tiled.rows; ++row) {
    for (int column = 0; column < tiled.columns; ++column) {
      tiled.document.pages.push_back(tile_page(tiled, column, row, options));
    }
  }
  return tiled;
}

}  // namespace trueplate::draw
