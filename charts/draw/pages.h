#pragma once

#include <optional>
#include <string>
#include <vector>

#include "calib/base/result.h"
#include "charts/draw/chart_drawing.h"
#include "charts/draw/shapes.h"

namespace trueplate::draw {

/// One sheet of paper: the part of a drawing that it shows, and marks of its own.
struct Page {
  double width_mm = 0.0;
  double height_mm = 0.0;
  Point2d shift_mm = {0.0, 0.0};   // place on the page = place on the drawing + shift
  std::optional<Box> window = {};  // of the page; the drawing shows only inside. Absent: all of it
  std::vector<Shape> marks = {};   // in page coordinates
};

/// A drawing on one or several pages.
struct Document {
  std::string title;
  std::string program;  // name and version of what made it
  std::string date;     // 2031-05-04
  Drawing drawing;      // in mm
  std::vector<Page> pages;
};

/// The chart on one page.
[[nodiscard]] Document single_page(const ChartDrawing& chart, const Imprint& imprint);

struct TileOptions {
  Sheet paper = {};          // turned as fewer sheets are needed; as given where that is the same
  double margin_mm = 10.0;   // of the paper; the marks stand in it
  double overlap_mm = 10.0;  // how much neighbours share
};

/// Most sheets a chart may be cut into.
inline constexpr int kMaxTiles = 400;
/// Smallest margin of a tile: the crop marks need it.
inline constexpr double kMinTileMarginMm = 5.0;

struct TiledDocument {
  Document document;
  int columns = 0;  // the pages go row by row
  int rows = 0;
  Sheet paper = {};              // as it lies
  Point2d step_mm = {0.0, 0.0};  // from one tile's window to the next
};

/// Cuts the chart into pages. Each has crop marks at the corners of its window, longer ticks in the
/// margin where the neighbour's window begins or ends, and a line that says which sheet it is.
/// errors  kInvalidInput: paper, margin or overlap that leave no window, more than kMaxTiles.
Result<TiledDocument> tile_pages(const ChartDrawing& chart,
                                 const Imprint& imprint,
                                 const TileOptions& options);

}  // namespace trueplate::draw
