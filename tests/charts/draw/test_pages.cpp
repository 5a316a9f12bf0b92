// Printed size, measured on pages that other programs turned into pixels: pdftoppm (poppler) and
// rsvg-convert (librsvg).

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "charts/draw/chart_drawing.h"
#include "charts/draw/pages.h"
#include "charts/draw/vector.h"
#include "tests/charts/draw/page_picture.h"

using namespace trueplate;
using target::ChartKind;
using tests::Measured;
using tests::PagePicture;

namespace {

// What a print may be off, in mm.
constexpr double kPrintToleranceMm = 0.01;
// A single edge: pdftoppm looks at a pixel four times along each axis, so it places an edge to a
// quarter of a pixel, 0.0106 mm; the file itself is good to draw::kVectorPrecisionMm.
constexpr double kEdgeToleranceMm = 25.4 / tests::kPageDpi / 4.0 + draw::kVectorPrecisionMm;

const draw::Imprint kImprint{.program = "trueplate test", .date = "2031-05-04"};

draw::ChartDesign design(ChartKind kind, double pitch_mm) {
  draw::ChartDesign result;
  result.chart.kind = kind;
  result.chart.pitch_mm = pitch_mm;
  return result;
}

draw::ChartDrawing on_a4(ChartKind kind, double pitch_mm) {
  const auto sheet = draw::parse_sheet("A4", draw::Orientation::kLandscape);
  REQUIRE(sheet);
  auto chart = draw::draw_on_sheet(design(kind, pitch_mm), {.sheet = *sheet, .imprint = kImprint});
  REQUIRE_MESSAGE(chart.has_value(), (chart ? "" : chart.error().message));
  return std::move(*chart);
}

constexpr ChartKind kKinds[] = {ChartKind::kCheckerboard,
                                ChartKind::kLines,
                                ChartKind::kDots,
                                ChartKind::kDotsStaggered,
                                ChartKind::kCoded};

void check_page(const PagePicture& page, const draw::ChartDrawing& chart, const char* how) {
  const std::string kind(target::chart_kind_name(chart.design.chart.kind));
  CAPTURE(kind);
  for (int axis = 0; axis < 2; ++axis) {
    CAPTURE(axis);
    const Measured pattern = tests::measure_pattern(page, chart, axis);
    REQUIRE(pattern.found_mm.size() == pattern.wanted_mm.size());
    REQUIRE(pattern.found_mm.size() >= 3);
    const double pitch = chart.design.chart.pitch_xy_mm()[axis];
    const draw::ScaleBar& bar = axis == 0 ? chart.across : chart.down;
    const double bar_mm = tests::measure_bar_mm(page, bar, axis);
    MESSAGE(
        fmt::format("{} {} {}: pitch {:.5f} mm (asked {}), {} places off by at most {:.4f} mm; "
                    "scale bar {:.4f} mm (asked {})",
                    how,
                    kind,
                    axis == 0 ? "x" : "y",
                    pattern.step_mm(),
                    pitch,
                    pattern.found_mm.size(),
                    pattern.worst_mm(),
                    bar_mm,
                    bar.length_mm));
    CHECK(std::abs(pattern.step_mm() - pitch) <= kPrintToleranceMm);
    CHECK(pattern.worst_mm() <= kEdgeToleranceMm);
    CHECK(std::abs(bar_mm - bar.length_mm) <= kPrintToleranceMm);
  }
}

}  // namespace

TEST_CASE("a PDF of every kind, at 600 dpi, has its pitch and scale bars to 0.01 mm") {
  for (const ChartKind kind : kKinds) {
    // Not a multiple of anything.
    const draw::ChartDrawing chart = on_a4(kind, kind == ChartKind::kCoded ? 24.7 : 17.3);
    const auto bytes = draw::pdf_of(draw::single_page(chart, kImprint));
    REQUIRE(bytes);
    const auto page = tests::render_pdf(*bytes, 1);
    if (!page) return;
    CHECK(std::abs(page->width_mm() - 297.0) < 0.05);
    CHECK(std::abs(page->height_mm() - 210.0) < 0.05);
    check_page(*page, chart, "PDF");
  }
}

TEST_CASE("an SVG has the same size") {
  for (const ChartKind kind : {ChartKind::kCheckerboard, ChartKind::kDotsStaggered}) {
    const draw::ChartDrawing chart = on_a4(kind, 17.3);
    const auto bytes = draw::svg_of(draw::single_page(chart, kImprint), 0);
    REQUIRE(bytes);
    const auto page = tests::render_svg(*bytes);
    if (!page) return;
    CHECK(std::abs(page->width_mm() - 297.0) < 0.05);
    check_page(*page, chart, "SVG");
  }
}

TEST_CASE("other pitches along x and y") {
  draw::ChartDesign stretched = design(ChartKind::kDots, 20.0);
  stretched.chart.pitch_y_mm = 19.37;
  const auto chart = draw::draw_on_sheet(stretched, {.sheet = draw::Sheet{"", 250.0, 180.0}});
  REQUIRE(chart);
  const auto bytes = draw::pdf_of(draw::single_page(*chart, kImprint));
  REQUIRE(bytes);
  const auto page = tests::render_pdf(*bytes, 1);
  if (page) check_page(*page, *chart, "PDF");
}

// As with scissors and glue: each tile is placed by its own crop marks on the paper, and by the
// short marks of the one before; what is inside is measured on the tile.
TEST_CASE("tiles put together give the chart to 0.01 mm") {
  const auto chart = draw::draw_on_sheet(
      design(ChartKind::kLines, 31.7),
      {.sheet = draw::Sheet{"", 420.0, 297.0}, .margin_mm = 2.0, .imprint = kImprint});
  REQUIRE(chart);
  const auto paper = draw::parse_sheet("A4", draw::Orientation::kLandscape);
  const auto tiled = draw::tile_pages(*chart, kImprint, {.paper = *paper});
  REQUIRE(tiled);
  CHECK(tiled->columns * tiled->rows == 4);
  const auto bytes = draw::pdf_of(tiled->document);
  REQUIRE(bytes);
  for (int axis = 0; axis < 2; ++axis) {
    CAPTURE(axis);
    const int num_tiles = axis == 0 ? tiled->columns : tiled->rows;
    const double across_mm = chart->origin[1 - axis] + 0.3 * 31.7;
    std::vector<double> found;
    double tile_begins = 0.0;  // on the chart put together
    for (int k = 0; k < num_tiles; ++k) {
      const int number = axis == 0 ? k + 1 : k * tiled->columns + 1;
      const auto page = tests::render_pdf(*bytes, number);
      if (!page) return;
      const double size = axis == 0 ? page->width_mm() : page->height_mm();
      // Crop marks are the longer ones; near the paper's edge there is nothing else.
      const auto marks_at = [&](double depth) {
        return tests::middles(tests::edges_mm(
            *page, {.axis = axis, .at_mm = depth, .begin_mm = 1.0, .end_mm = size - 1.0}));
      };
      const std::vector<double> crop = marks_at(3.0);
      const std::vector<double> all = marks_at(7.0);
      REQUIRE(crop.size() == 2);
      const bool inner = k > 0 && k + 1 < num_tiles;
      REQUIRE(all.size() == (inner ? 4U : 3U));
      const tests::Cut cut{.axis = axis,
                           .at_mm = across_mm + 10.0,
                           .begin_mm = crop[0] - 0.5,
                           .end_mm = crop[1] + 0.5};
      for (const double place : tests::middles(tests::edges_mm(*page, cut))) {
        const double on_chart = tile_begins + place - crop[0];
        // In the overlap both tiles show the same line.
        const bool known = std::any_of(found.begin(), found.end(), [&](double other) {
          return std::abs(other - on_chart) < 1.0;
        });
        if (!known) found.push_back(on_chart);
      }
      tile_begins += all[all.size() - 2] - crop[0];
    }
    const int count = axis == 0 ? chart->design.chart.columns : chart->design.chart.rows;
    // Beside the lines the cut may meet arrows and bars; the lines are where they should be.
    double worst = 0.0;
    for (int i = 0; i < count; ++i) {
      const double wanted = chart->origin[axis] + i * 31.7;
      double nearest = 1e9;
      for (const double place : found) nearest = std::min(nearest, std::abs(place - wanted));
      worst = std::max(worst, nearest);
    }
    MESSAGE(fmt::format("{} tiles along {}: {} lines off by at most {:.4f} mm",
                        num_tiles,
                        axis == 0 ? "x" : "y",
                        count,
                        worst));
    CHECK(worst <= kPrintToleranceMm);
  }
}

TEST_CASE("neighbouring tiles show the same in their overlap, and the last reaches the end") {
  const auto chart = draw::draw_on_sheet(
      design(ChartKind::kCheckerboard, 50.0),
      {.sheet = draw::Sheet{"", 1189.0, 841.0}, .margin_mm = 2.0, .imprint = kImprint});
  REQUIRE(chart);
  const auto paper = draw::parse_sheet("A3", draw::Orientation::kPortrait);
  const auto tiled =
      draw::tile_pages(*chart, kImprint, {.paper = *paper, .margin_mm = 8.0, .overlap_mm = 15.0});
  REQUIRE(tiled);
  const auto& pages = tiled->document.pages;
  REQUIRE(pages.size() == static_cast<std::size_t>(tiled->columns * tiled->rows));
  for (int row = 0; row < tiled->rows; ++row) {
    for (int column = 0; column < tiled->columns; ++column) {
      const draw::Page& page = pages[static_cast<std::size_t>(row * tiled->columns + column)];
      const Point2d begins = page.window->low - page.shift_mm;
      const Point2d ends = page.window->high - page.shift_mm;
      CHECK(begins.x() == doctest::Approx(column * tiled->step_mm.x()));
      CHECK(begins.y() == doctest::Approx(row * tiled->step_mm.y()));
      CHECK(page.window->size().x() - tiled->step_mm.x() == doctest::Approx(15.0));
      if (column + 1 == tiled->columns) CHECK(ends.x() >= 1189.0 - 1e-9);
      if (row + 1 == tiled->rows) CHECK(ends.y() >= 841.0 - 1e-9);
    }
  }
  // Turned as fewer sheets are needed: upright 5 x 3 of them, 4 x 4 otherwise.
  CHECK(pages.size() == 15);
}

TEST_CASE("the same chart gives the same bytes") {
  for (const ChartKind kind : kKinds) {
    const draw::Document document = draw::single_page(on_a4(kind, 20.0), kImprint);
    const bool same_pdf = *draw::pdf_of(document) == *draw::pdf_of(document);
    const bool same_svg = *draw::svg_of(document, 0) == *draw::svg_of(document, 0);
    CHECK(same_pdf);
    CHECK(same_svg);
  }
}

TEST_CASE("tiles that make no sense are refused") {
  const draw::ChartDrawing chart = on_a4(ChartKind::kDots, 20.0);
  const auto message = [&](const draw::TileOptions& options) -> std::string {
    const auto tiled = draw::tile_pages(chart, kImprint, options);
    return tiled ? "" : tiled.error().message;
  };
  const draw::Sheet a4{"A4", 297.0, 210.0};
  CHECK(message({.paper = a4}).empty());
  CHECK(message({.paper = a4, .margin_mm = NAN}).find("margin") != std::string::npos);
  CHECK(message({.paper = a4, .margin_mm = 1.0}).find("margin") != std::string::npos);
  CHECK(message({.paper = a4, .overlap_mm = 100.0}).find("overlap") != std::string::npos);
  CHECK(message({.paper = a4, .overlap_mm = -1.0}).find("overlap") != std::string::npos);
  CHECK(message({.paper = {"", 1e9, 210.0}}).find("sheet") != std::string::npos);
  const auto huge = draw::draw_on_sheet(
      design(ChartKind::kLines, 500.0),
      {.sheet = draw::Sheet{"", 20000.0, 20000.0}, .max_side_mm = draw::kMaxTiledSideMm});
  REQUIRE(huge);
  const auto tiled = draw::tile_pages(*huge, kImprint, {.paper = a4});
  REQUIRE_FALSE(tiled);
  CHECK(tiled.error().message.find("tiles") != std::string::npos);
}
