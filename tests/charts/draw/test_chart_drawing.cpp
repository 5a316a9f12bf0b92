#include "charts/draw/chart_drawing.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>

using namespace trueplate;
using target::ChartKind;

namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
constexpr double kInf = std::numeric_limits<double>::infinity();
constexpr ChartKind kKinds[] = {ChartKind::kCheckerboard,
                                ChartKind::kLines,
                                ChartKind::kDots,
                                ChartKind::kDotsStaggered,
                                ChartKind::kCoded};
const draw::Imprint kImprint{.program = "trueplate test", .date = "2031-05-04"};

draw::ChartDesign design(ChartKind kind, double pitch_mm, int columns = 0, int rows = 0) {
  return {.chart = {.kind = kind, .pitch_mm = pitch_mm, .columns = columns, .rows = rows}};
}

draw::Sheet named(const char* name, draw::Orientation orientation) {
  const auto sheet = draw::parse_sheet(name, orientation);
  REQUIRE(sheet);
  return *sheet;
}

std::string paper_refusal(const draw::ChartDesign& chart, draw::SheetOptions options = {}) {
  if (!options.sheet && !options.roll_mm) options.sheet = draw::Sheet{"A4", 297.0, 210.0};
  const auto drawn = draw::draw_on_sheet(chart, options);
  if (drawn) return "";
  CHECK(drawn.error().code == ErrorCode::kInvalidInput);
  CHECK(drawn.error().message.find('\n') == std::string::npos);
  CHECK(drawn.error().message.size() < 400);
  return drawn.error().message;
}

bool contains(const std::string& text, const char* part) {
  return text.find(part) != std::string::npos;
}

/// Shapes of marks keep their distance from the pattern, and everything stays on the sheet, inside
/// its margins (text by the width of its letters, which bounds() overestimates: not judged here).
void check_distances(const draw::ChartDrawing& chart, double margin) {
  const double pitch = chart.design.chart.pitch_mm / chart.mm_per_unit;
  const double clear = 0.15 * pitch - 1.0;  // on a screen edges are rounded to pixels
  const draw::Box& pattern = chart.pattern;
  for (const draw::Shape& shape : chart.drawing.shapes) {
    if (std::holds_alternative<draw::Text>(shape)) continue;
    const draw::Box box = draw::bounds(shape);
    const bool in_pattern =
        box.low.x() > pattern.low.x() - 1e-6 && box.low.y() > pattern.low.y() - 1e-6 &&
        box.high.x() < pattern.high.x() + 1e-6 && box.high.y() < pattern.high.y() + 1e-6;
    CHECK(box.low.x() >= margin - 0.5);
    CHECK(box.low.y() >= margin - 0.5);
    CHECK(box.high.x() <= chart.drawing.width - margin + 0.5);
    CHECK(box.high.y() <= chart.drawing.height - margin + 0.5);
    if (in_pattern) continue;
    const double gap = std::max({pattern.low.x() - box.high.x(),
                                 box.low.x() - pattern.high.x(),
                                 pattern.low.y() - box.high.y(),
                                 box.low.y() - pattern.high.y()});
    CHECK(gap >= clear);
  }
}

}  // namespace

TEST_CASE("every kind on every sheet, both ways up: marks keep clear of pattern and margins") {
  for (const char* name : {"A4", "A3", "A2", "A1", "A0", "letter", "ansi-e"}) {
    for (const auto orientation : {draw::Orientation::kLandscape, draw::Orientation::kPortrait}) {
      for (const ChartKind kind : kKinds) {
        const draw::Sheet sheet = named(name, orientation);
        const double pitch = sheet.height_mm / 12.0;
        CAPTURE(name);
        const auto chart = draw::draw_on_sheet(design(kind, pitch), {.sheet = sheet});
        REQUIRE_MESSAGE(chart.has_value(), (chart ? "" : chart.error().message));
        CHECK(chart->drawing.width == sheet.width_mm);
        CHECK(chart->across.length_mm >= 100.0);
        CHECK(chart->down.length_mm >= 100.0);
        if (sheet.width_mm > 800.0) CHECK(chart->across.length_mm >= 500.0);
        check_distances(*chart, 10.0);
      }
    }
  }
}

TEST_CASE("sheets of ISO 216 and of inches") {
  CHECK(named("A0", draw::Orientation::kPortrait).height_mm == 1189.0);
  CHECK(named("a3", draw::Orientation::kLandscape).width_mm == 420.0);
  CHECK(named("Letter", draw::Orientation::kPortrait).width_mm == doctest::Approx(215.9));
  CHECK(named("914x1500mm", draw::Orientation::kLandscape).width_mm == 914.0);
  for (const char* bad : {"", "A9", "0x5mm", "nanxnanmm", "1e9x1e9mm", "10x10mm", "420x297"}) {
    CAPTURE(bad);
    const auto sheet = draw::parse_sheet(bad, draw::Orientation::kLandscape);
    REQUIRE_FALSE(sheet);
    CHECK(sheet.error().message.find('\n') == std::string::npos);
  }
}

TEST_CASE("a chart without a grid fills the sheet") {
  const draw::Sheet a3 = named("A3", draw::Orientation::kLandscape);
  for (const ChartKind kind : kKinds) {
    const auto chart = draw::draw_on_sheet(design(kind, 20.0), {.sheet = a3});
    REQUIRE(chart);
    const target::Chart& made = chart->design.chart;
    CAPTURE(target::chart_kind_name(kind));
    // One more, or two where a checkerboard gave one away, does not fit.
    const int step = kind == ChartKind::kCheckerboard ? 2 : 1;
    CHECK(contains(paper_refusal(design(kind, 20.0, made.columns + step, made.rows), {.sheet = a3}),
                   "larger sheet"));
    CHECK(contains(paper_refusal(design(kind, 20.0, made.columns, made.rows + step), {.sheet = a3}),
                   "larger sheet"));
    CHECK(paper_refusal(design(kind, 20.0, made.columns, made.rows), {.sheet = a3}).empty());
  }
  // The colours of a checkerboard tell its ends apart when the sum is odd.
  for (double pitch = 10.0; pitch < 40.0; pitch += 1.3) {
    const auto chart = draw::draw_on_sheet(design(ChartKind::kCheckerboard, pitch), {.sheet = a3});
    REQUIRE(chart);
    CHECK((chart->design.chart.columns + chart->design.chart.rows) % 2 == 1);
  }
}

TEST_CASE("without a sheet the paper is as large as the chart needs; a roll likewise") {
  for (const ChartKind kind : kKinds) {
    const auto chart = draw::draw_on_sheet(design(kind, 30.0, 20, 12), {.imprint = kImprint});
    REQUIRE(chart);
    check_distances(*chart, 10.0);
    CHECK(paper_refusal(design(kind, 30.0, 20, 12), {.sheet = chart->sheet}).empty());

    const auto rolled = draw::draw_on_sheet(design(kind, 30.0, 40, 20), {.roll_mm = 914.0});
    REQUIRE(rolled);
    CHECK(std::min(rolled->sheet.width_mm, rolled->sheet.height_mm) <= 914.0);
    CHECK((rolled->sheet.width_mm == 914.0 || rolled->sheet.height_mm == 914.0));
    check_distances(*rolled, 10.0);
  }
  CHECK(
      contains(paper_refusal(design(ChartKind::kLines, 30.0, 40, 40), {.roll_mm = 610.0}), "roll"));
  const auto no_grid = draw::draw_on_sheet(design(ChartKind::kLines, 30.0), {});
  REQUIRE_FALSE(no_grid);
  CHECK(contains(no_grid.error().message, "grid"));
}

TEST_CASE("absurd requests are refused with one line that names what is wrong") {
  using draw::Sheet;
  for (const ChartKind kind : kKinds) {
    for (const double pitch : {0.0, -1.0, kNan, kInf}) {
      CHECK(contains(paper_refusal(design(kind, pitch)), "pitch"));
    }
    CHECK(contains(paper_refusal(design(kind, 1e9)), "pitch"));
    CHECK(contains(paper_refusal(design(kind, 500.0)), "too large for A4"));
    CHECK(contains(paper_refusal(design(kind, 1e-9)), "more than"));
    CHECK(contains(paper_refusal(design(kind, 0.1)), "more than"));
    CHECK(contains(paper_refusal(design(kind, 1.0, 1000, 1000)), "more than"));
    CHECK(contains(paper_refusal(design(kind, 1.0, 2147483647, 2147483647)), "more than"));
    CHECK(contains(paper_refusal(design(kind, 10.0, 2, 9)), "grid"));
    CHECK(contains(paper_refusal(design(kind, 10.0, -4, 9)), "grid"));
    for (const double side : {0.0, kNan, 1e9}) {
      CHECK(
          contains(paper_refusal(design(kind, 10.0), {.sheet = Sheet{"", side, 210.0}}), "sheet"));
    }
    for (const double margin : {-1.0, kNan, kInf, 500.0}) {
      CHECK(contains(paper_refusal(design(kind, 10.0), {.margin_mm = margin}), "margin"));
    }
    CHECK(contains(paper_refusal(design(kind, 10.0, 9, 6), {.roll_mm = 1e9}), "roll"));
    CHECK(contains(paper_refusal(design(kind, 10.0, 9, 6), {.roll_mm = kNan}), "roll"));
  }
  draw::ChartDesign lines = design(ChartKind::kLines, 10.0);
  for (const double width : {-1.0, kNan, 10.0, 1e9}) {
    lines.line_width_mm = width;
    CHECK(contains(paper_refusal(lines), "line width"));
  }
  draw::ChartDesign dots = design(ChartKind::kDotsStaggered, 10.0);
  for (const double diameter : {-1.0, kNan, 9.0, 1e9}) {
    dots.dot_diameter_mm = diameter;
    CHECK(contains(paper_refusal(dots), "dot"));
  }
  draw::ChartDesign other = design(ChartKind::kDots, 10.0);
  other.chart.pitch_y_mm = kNan;
  CHECK(contains(paper_refusal(other), "pitch along y"));
  // A coded chart has markers for 50 x 40 squares.
  const draw::SheetOptions a0{.sheet = named("A0", draw::Orientation::kLandscape)};
  CHECK(paper_refusal(design(ChartKind::kCoded, 18.0, 49, 39), a0).empty());
  CHECK(contains(paper_refusal(design(ChartKind::kCoded, 10.0, 50, 39), a0), "50 x 40"));
  CHECK(contains(paper_refusal(design(ChartKind::kCoded, 10.0), a0), "50 x 40"));
}

TEST_CASE("on a screen the pitch is whole pixels, or refused with the nearest that are") {
  const draw::ScreenOptions wall{.size = {1920, 1080}, .mm_per_pixel = 2.6, .imprint = kImprint};
  for (const ChartKind kind : kKinds) {
    const auto chart = draw::draw_on_screen(design(kind, 130.0), wall);
    REQUIRE_MESSAGE(chart.has_value(), (chart ? "" : chart.error().message));
    CHECK(chart->mm_per_unit == 2.6);
    check_distances(*chart, 1.0);
    const auto between = draw::draw_on_screen(design(kind, 131.0), wall);
    REQUIRE_FALSE(between);
    CHECK(contains(between.error().message, "130 mm (50 px)"));
    CHECK(contains(between.error().message, "132.6 mm (51 px)"));
    for (const double pitch : {0.0, kNan, 1e9, 2.6}) {
      CHECK_FALSE(draw::draw_on_screen(design(kind, pitch), wall).has_value());
    }
  }
  const draw::ChartDesign good = design(ChartKind::kDots, 130.0);
  for (const double mm : {0.0, -1.0, kNan, kInf}) {
    CHECK_FALSE(draw::draw_on_screen(good, {.size = {100, 100}, .mm_per_pixel = mm}).has_value());
  }
  for (const ImageSize size : {ImageSize{0, 100}, ImageSize{-5, 5}, ImageSize{65536, 65536}}) {
    CHECK_FALSE(draw::draw_on_screen(good, {.size = size, .mm_per_pixel = 2.6}).has_value());
  }
  const auto tiny = draw::draw_on_screen(good, {.size = {60, 60}, .mm_per_pixel = 2.6});
  REQUIRE_FALSE(tiny);
  CHECK(contains(tiny.error().message, "too large"));
}
