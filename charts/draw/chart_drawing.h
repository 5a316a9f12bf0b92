#pragma once

#include <optional>
#include <string>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/target/chart.h"
#include "charts/draw/shapes.h"
#include "charts/draw/sheet.h"

namespace trueplate::draw {

/// What is drawn.
struct ChartDesign {
  /// Columns and rows both 0: as many as fit. A checkerboard that fills a sheet by itself then gets
  /// an odd sum of columns and rows, so that its colours tell its two ends apart.
  target::Chart chart = {};
  double line_width_mm = 0.0;    // of kLines; 0: kLineShare of the pitch
  double dot_diameter_mm = 0.0;  // of dots; 0: kDotShare of the distance of the nearest dots
};
inline constexpr double kLineShare = 0.125;
inline constexpr double kDotShare = 0.5;

/// Fewest points (inner corners, crossings, dots) along x and along y, and most in all.
inline constexpr int kMinPoints = 3;
inline constexpr int kMaxPoints = 200000;

/// What the label line says beside the chart itself.
struct Imprint {
  std::string program;  // name and version
  std::string date;     // 2031-05-04
};

struct SheetOptions {
  std::optional<Sheet> sheet = {};     // absent: as large as the chart, whose grid must be given
  std::optional<double> roll_mm = {};  // with an absent sheet: one side is the roll's width
  double margin_mm = 10.0;             // left free along the edges, where printers do not reach
  double max_side_mm = kMaxSheetSideMm;
  Imprint imprint = {};
};

struct ScreenOptions {
  ImageSize size = {};
  double mm_per_pixel = 0.0;
  Imprint imprint = {};
};

/// Two ticks to measure between.
struct ScaleBar {
  Point2d begin = {0.0, 0.0};  // of the base line, in the unit of the drawing: middle of the tick
  Point2d end = {0.0, 0.0};    // on paper, its left or upper edge on a screen
  double tick = 0.0;  // how far ticks with a number reach up (or left); the others half as far
  double length_mm = 0.0;
};

/// A chart laid out with all its marks. Around the pattern stand pointers to its centre, an arrow
/// along x and one along y that begin at chart point (0, 0), a scale bar along each of the sheet's
/// sides, and the label line. None of them comes nearer to the pattern than 0.15 of the pitch.
struct ChartDrawing {
  Drawing drawing;              // in mm on paper, in pixels on a screen
  double mm_per_unit = 1.0;     // of the drawing
  ChartDesign design;           // the grid and the sizes that were left open filled in
  Sheet sheet;                  // of a screen: its size in mm
  Point2d origin = {0.0, 0.0};  // chart point (0, 0), in the unit of the drawing
  Point2d center = {0.0, 0.0};  // what the centre mark marks
  Box pattern;
  ScaleBar across;
  ScaleBar down;
  std::string label;  // the whole label, on one line
};

/// Lays a chart out on paper.
/// errors  kInvalidInput: numbers that are not finite or make no sense, a chart that does not fit
///         (the message says how much room there is), more points than kMaxPoints, more squares
///         than a coded chart has numbers for.
Result<ChartDrawing> draw_on_sheet(const ChartDesign& design, const SheetOptions& options);

/// Lays a chart out on the pixels of a screen or an LED wall: corners, edges and the middles of
/// dots lie on whole pixels (the crossings of lines an odd number of pixels wide on their middles),
/// and so do the edges of all marks. The pitch must be a whole number of pixels, kMinPitchPx or
/// more; line widths are rounded to whole pixels.
/// errors  as for draw_on_sheet(); a pitch that is no whole number of pixels (the message names the
///         nearest ones).
Result<ChartDrawing> draw_on_screen(const ChartDesign& design, const ScreenOptions& options);

inline constexpr int kMinPitchPx = 4;
/// A pitch that differs from whole pixels by less than this share of a pixel counts as whole.
inline constexpr double kPixelTolerance = 1e-4;
/// Largest screen, in pixels.
inline constexpr double kMaxScreenPixels = 134217728.0;

}  // namespace trueplate::draw
