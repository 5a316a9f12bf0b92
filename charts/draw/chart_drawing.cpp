#include "charts/draw/chart_drawing.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "charts/draw/detail/chart_design.h"
#include "charts/draw/detail/marks.h"
#include "charts/draw/detail/pattern.h"

namespace trueplate::draw {
namespace {

using detail::check_count;
using detail::check_design;
using detail::check_dots;
using detail::fill_sizes;
using detail::is_length;
using detail::MarkStyle;
using detail::Pattern;
using detail::points_name;
using detail::refused;
using detail::Strips;
using target::ChartKind;

constexpr double kGapShare = 0.15;       // of the pitch; see ChartDrawing
constexpr double kTextShare = 0.0125;    // of the sheet's shorter side
constexpr double kLongestLabelGrid = 9;  // digits of two numbers, for counting label lines

/// A sheet or screen on which a chart is being laid out, in its unit.
struct Ground {
  double width = 0.0;
  double height = 0.0;
  std::string name;  // for messages and the label
  Imprint imprint;
  MarkStyle style;
};

std::string pitch_text(const ChartDesign& design, const MarkStyle& style) {
  const Point2d pitch = design.chart.pitch_xy_mm();
  std::string text = "pitch " + mm_text(pitch.x());
  if (pitch.y() != pitch.x()) text += fmt::format(" x {}", mm_text(pitch.y()));
  text += " mm";
  if (style.whole_pixels)
    text += fmt::format(" = {} px", std::round(pitch.x() / style.mm_per_unit));
  return text;
}

std::vector<std::string> label_items(const ChartDesign& design,
                                     const Ground& ground,
                                     std::string_view grid) {
  std::vector<std::string> items{ground.imprint.program,
                                 std::string(target::chart_kind_name(design.chart.kind)),
                                 pitch_text(design, ground.style),
                                 fmt::format("{} {}", grid, points_name(design.chart.kind))};
  if (design.chart.kind == ChartKind::kLines) {
    items.push_back(fmt::format("lines {} mm wide", mm_text(design.line_width_mm)));
  }
  if (detail::has_dots(design.chart.kind)) {
    items.push_back(fmt::format("dots {} mm wide", mm_text(design.dot_diameter_mm)));
  }
  items.push_back(ground.name);
  items.push_back(ground.imprint.date);
  if (!ground.style.whole_pixels) items.emplace_back("print at 100 % and measure the scale bars");
  std::erase(items, std::string());
  return items;
}

/// How many lines the label takes, whatever the grid turns out to be.
int count_label_lines(const ChartDesign& design, const Ground& ground) {
  const std::string widest_grid(static_cast<std::size_t>(kLongestLabelGrid), '9');
  return static_cast<int>(detail::packed_lines(label_items(design, ground, widest_grid),
                                               ground.style.text_size,
                                               ground.width - 2.0 * ground.style.margin)
                              .size());
}

Point2d free_room(const Ground& ground) {
  const Strips strips = detail::strips_of(ground.style);
  return {ground.width - strips.left - strips.right, ground.height - strips.top - strips.bottom};
}

/// "X x Y mm", of a size in the unit of the drawing.
std::string size_text(const Point2d& size, const MarkStyle& style) {
  const Point2d shown = size.cwiseMax(0.0) * (style.whole_pixels ? 1.0 : style.mm_per_unit);
  return fmt::format("{} x {} {}",
                     mm_text(std::floor(shown.x() * 10.0) / 10.0),
                     mm_text(std::floor(shown.y() * 10.0) / 10.0),
                     style.whole_pixels ? "px" : "mm");
}

/// Sets the pattern's columns and rows: those of the design, or as many as fit.
Result<void> fill_grid(const ChartDesign& design, const Ground& ground, Pattern& pattern) {
  const Point2d room = free_room(ground);
  const ChartKind kind = design.chart.kind;
  if (design.chart.grid_known()) {
    pattern.columns = design.chart.columns;
    pattern.rows = design.chart.rows;
    const Point2d size = pattern.size();
    const double tolerance = 1e-9 * size.maxCoeff();
    if (size.x() <= room.x() + tolerance && size.y() <= room.y() + tolerance) return {};
    return refused(
        fmt::format("{} {} {} at a pitch of {} mm need {}, but {} leaves {} for them; "
                    "choose a larger sheet, a smaller pitch or fewer",
                    pattern.columns,
                    fmt::format("x {}", pattern.rows),
                    points_name(kind),
                    mm_text(design.chart.pitch_mm),
                    size_text(size, ground.style),
                    ground.name,
                    size_text(room, ground.style)));
  }
  double columns = detail::points_that_fit(pattern, 0, room.x());
  double rows = detail::points_that_fit(pattern, 1, room.y());
  if (columns < kMinPoints || rows < kMinPoints) {
    pattern.columns = kMinPoints;
    pattern.rows = kMinPoints;
    return refused(
        fmt::format("the pitch of {} mm is too large for {}: {} are free, {}x{} {} need "
                    "{}; choose a smaller pitch or a larger sheet",
                    mm_text(design.chart.pitch_mm),
                    ground.name,
                    size_text(room, ground.style),
                    kMinPoints,
                    kMinPoints,
                    points_name(kind),
                    size_text(pattern.size(), ground.style)));
  }
  if (Result<void> good = check_count(kind, columns, rows, design.chart.pitch_mm); !good) {
    return good;
  }
  // One less of what there is more of costs least.
  const bool looks_the_same_turned = std::fmod(columns + rows, 2.0) == 0.0;
  double& more = columns >= rows ? columns : rows;
  if (kind == ChartKind::kCheckerboard && looks_the_same_turned && more > kMinPoints) more -= 1.0;
  pattern.columns = static_cast<int>(columns);
  pattern.rows = static_cast<int>(rows);
  return {};
}

/// In the middle of the sheet, or as near to it as the strips allow.
void place_pattern(const Ground& ground, Pattern& pattern) {
  const Strips strips = detail::strips_of(ground.style);
  const Point2d size = pattern.size();
  const auto placed = [](double sheet, double before, double after, double length) {
    return std::clamp(0.5 * (sheet - length), before, std::max(before, sheet - after - length));
  };
  Point2d low(placed(ground.width, strips.left, strips.right, size.x()),
              placed(ground.height, strips.top, strips.bottom, size.y()));
  pattern.origin = low + pattern.lead();
  if (ground.style.whole_pixels) {
    // The crossing of lines with an odd number of pixels is the middle of a pixel.
    const double half = std::fmod(pattern.line_width, 2.0) == 1.0 ? 0.5 : 0.0;
    pattern.origin =
        Point2d(std::floor(pattern.origin.x()) + half, std::floor(pattern.origin.y()) + half);
  }
}

Result<ChartDrawing> lay_out(ChartDesign design, const Ground& ground, Pattern pattern) {
  if (Result<void> good = fill_grid(design, ground, pattern); !good) return fail(good.error());
  place_pattern(ground, pattern);
  design.chart.columns = pattern.columns;
  design.chart.rows = pattern.rows;

  ChartDrawing chart;
  chart.drawing.width = ground.width;
  chart.drawing.height = ground.height;
  detail::add_pattern(pattern, chart.drawing.shapes);
  const std::vector<std::string> items =
      label_items(design, ground, fmt::format("{} x {}", pattern.columns, pattern.rows));
  const Result<detail::ScaleBars> bars = detail::add_marks(
      {.style = ground.style,
       .pattern = pattern,
       .width = ground.width,
       .height = ground.height,
       .label_lines = detail::packed_lines(
           items, ground.style.text_size, ground.width - 2.0 * ground.style.margin)},
      chart.drawing.shapes);
  if (!bars) return fail(bars.error());
  chart.mm_per_unit = ground.style.mm_per_unit;
  chart.design = design;
  chart.origin = pattern.origin;
  chart.center = pattern.center();
  chart.pattern = pattern.box();
  chart.across = bars->across;
  chart.down = bars->down;
  for (const std::string& item : items) chart.label += (chart.label.empty() ? "" : ", ") + item;
  return chart;
}

MarkStyle paper_style(double shorter_side_mm, double margin_mm, const Point2d& pitch) {
  const double text_size = std::clamp(kTextShare * shorter_side_mm, 2.8, 10.0);
  return {.text_size = text_size,
          .stroke = std::clamp(0.07 * text_size, 0.2, 0.5),
          .margin = margin_mm,
          .gap = std::max(0.4 * text_size, kGapShare * pitch.maxCoeff())};
}

Pattern paper_pattern(const ChartDesign& design) {
  const Point2d pitch = design.chart.pitch_xy_mm();
  Pattern pattern;
  pattern.kind = design.chart.kind;
  pattern.columns = design.chart.columns;
  pattern.rows = design.chart.rows;
  pattern.pitch = pitch;
  pattern.line_width = design.line_width_mm;
  pattern.line_overrun = 0.5 * pitch;
  pattern.dot_diameter = design.dot_diameter_mm;
  return pattern;
}

/// The sheet a chart of known grid needs.
Result<Ground> fitted_ground(const ChartDesign& design, const SheetOptions& options) {
  if (!design.chart.grid_known()) {
    return refused("without a sheet the grid has to be given, such as 9x6");
  }
  const Pattern pattern = paper_pattern(design);
  const Point2d size = pattern.size();
  const double roll = options.roll_mm.value_or(0.0);
  const double shorter =
      options.roll_mm ? std::min(roll, 1.2 * size.maxCoeff()) : 1.2 * size.minCoeff();
  Ground ground;
  ground.imprint = options.imprint;
  ground.style = paper_style(shorter, options.margin_mm, pattern.pitch);
  const double least_width =
      std::max(30.0 * ground.style.text_size + 2.0 * options.margin_mm, kMinSheetSideMm);
  const auto set_sides = [&](double width, double height) {
    ground.width = width;
    ground.height = height;
    ground.name = options.roll_mm ? fmt::format("roll of {} mm", mm_text(roll)) : "";
  };
  const auto needed_width = [&] {
    const Strips strips = detail::strips_of(ground.style);
    return std::max(std::ceil(strips.left + size.x() + strips.right), least_width);
  };
  const auto needed_height = [&] {
    ground.style.num_label_lines = count_label_lines(design, ground);
    const Strips strips = detail::strips_of(ground.style);
    return std::max(std::ceil(strips.top + size.y() + strips.bottom), kMinSheetSideMm);
  };
  if (!options.roll_mm) {
    // Text grows with the sheet and the sheet with the text; the steps of whole mm end that.
    constexpr int kMaxRounds = 20;
    double used = 0.0;
    for (int round = 0; round < kMaxRounds && used != ground.style.text_size; ++round) {
      used = ground.style.text_size;
      set_sides(needed_width(), 0.0);
      ground.name = sheet_text({"", ground.width, size.y()});  // as wide as the final text
      ground.height = needed_height();
      ground.name = sheet_text({"", ground.width, ground.height});
      const MarkStyle next =
          paper_style(std::min(ground.width, ground.height), options.margin_mm, pattern.pitch);
      if (next.text_size > used) ground.style = next;
    }
    return ground;
  }
  // Across the roll, or along it.
  if (needed_width() <= roll) {
    set_sides(roll, 0.0);
    ground.height = needed_height();
    return ground;
  }
  set_sides(needed_width(), roll);
  if (const double height = needed_height(); height > roll) {
    return refused(
        fmt::format("{} x {} {} need {} mm across the roll, which has {} mm; choose a "
                    "smaller pitch or a wider roll",
                    design.chart.columns,
                    design.chart.rows,
                    points_name(design.chart.kind),
                    mm_text(std::min(height, needed_width())),
                    mm_text(roll)));
  }
  return ground;
}

/// A pitch as a whole number of pixels.
Result<double> whole_pixels(double pitch_mm, double mm_per_pixel) {
  const double exact = pitch_mm / mm_per_pixel;
  const double whole = std::round(exact);
  if (std::abs(exact - whole) <= kPixelTolerance && whole >= kMinPitchPx) return whole;
  if (exact < kMinPitchPx) {
    return refused(fmt::format("a pitch of {} mm is {:.4g} px; at least {} px ({} mm) are needed",
                               mm_text(pitch_mm),
                               exact,
                               kMinPitchPx,
                               mm_text(kMinPitchPx * mm_per_pixel)));
  }
  return refused(
      fmt::format("a pitch of {} mm is {:.4f} px, and edges would fall between pixels; "
                  "choose {} mm ({:.0f} px) or {} mm ({:.0f} px)",
                  mm_text(pitch_mm),
                  exact,
                  mm_text(std::floor(exact) * mm_per_pixel),
                  std::floor(exact),
                  mm_text(std::ceil(exact) * mm_per_pixel),
                  std::ceil(exact)));
}

}  // namespace

Result<ChartDrawing> draw_on_sheet(const ChartDesign& requested, const SheetOptions& options) {
  ChartDesign design = requested;
  if (Result<void> good = check_design(design); !good) return fail(good.error());
  fill_sizes(design);
  if (Result<void> good = check_dots(design); !good) return fail(good.error());
  if (design.chart.grid_known()) {
    if (Result<void> good = check_count(
            design.chart.kind, design.chart.columns, design.chart.rows, design.chart.pitch_mm);
        !good) {
      return fail(good.error());
    }
  }
  if (!(std::isfinite(options.margin_mm) && options.margin_mm >= 0.0)) {
    return refused(fmt::format("the margin is {} mm, wanted zero or more", options.margin_mm));
  }
  if (options.roll_mm &&
      !(*options.roll_mm >= kMinSheetSideMm && *options.roll_mm <= options.max_side_mm)) {
    return refused(fmt::format("a roll of {} mm; its width must be {} to {} mm",
                               mm_text(*options.roll_mm),
                               mm_text(kMinSheetSideMm),
                               mm_text(options.max_side_mm)));
  }
  const Pattern pattern = paper_pattern(design);
  Ground ground;
  if (options.sheet) {
    if (Result<void> good = check_sheet(*options.sheet, options.max_side_mm); !good) {
      return fail(good.error());
    }
    ground.width = options.sheet->width_mm;
    ground.height = options.sheet->height_mm;
    ground.name = sheet_text(*options.sheet);
    ground.imprint = options.imprint;
    ground.style =
        paper_style(std::min(ground.width, ground.height), options.margin_mm, pattern.pitch);
    if (ground.width <= 2.0 * options.margin_mm || ground.height <= 2.0 * options.margin_mm) {
      return refused(fmt::format(
          "margins of {} mm leave nothing of {}", mm_text(options.margin_mm), ground.name));
    }
    ground.style.num_label_lines = count_label_lines(design, ground);
  } else {
    const Result<Ground> fitted = fitted_ground(design, options);
    if (!fitted) return fail(fitted.error());
    ground = *fitted;
  }
  const Sheet sheet{options.sheet ? options.sheet->name : "", ground.width, ground.height};
  if (Result<void> good = check_sheet(sheet, options.max_side_mm); !good) return fail(good.error());
  Result<ChartDrawing> chart = lay_out(design, ground, pattern);
  if (chart) chart->sheet = sheet;
  return chart;
}

Result<ChartDrawing> draw_on_screen(const ChartDesign& requested, const ScreenOptions& options) {
  ChartDesign design = requested;
  if (Result<void> good = check_design(design); !good) return fail(good.error());
  const double mm_per_pixel = options.mm_per_pixel;
  if (!is_length(mm_per_pixel)) {
    return refused(
        fmt::format("the pixel pitch is {} mm, wanted a length above zero", mm_per_pixel));
  }
  const ImageSize size = options.size;
  if (size.width < 1 || size.height < 1 || size.width > kMaxImageSide ||
      size.height > kMaxImageSide ||
      static_cast<double>(size.width) * size.height > kMaxScreenPixels) {
    return refused(
        fmt::format("a screen of {} x {} pixels; sides of 1 to {} and at most {:.0f} "
                    "pixels can be drawn",
                    size.width,
                    size.height,
                    kMaxImageSide,
                    kMaxScreenPixels));
  }
  const Point2d pitch_mm = design.chart.pitch_xy_mm();
  const Result<double> pitch_x = whole_pixels(pitch_mm.x(), mm_per_pixel);
  if (!pitch_x) return fail(pitch_x.error());
  const Result<double> pitch_y = whole_pixels(pitch_mm.y(), mm_per_pixel);
  if (!pitch_y) return fail(pitch_y.error());

  design.chart.pitch_mm = *pitch_x * mm_per_pixel;
  if (design.chart.pitch_y_mm > 0.0) design.chart.pitch_y_mm = *pitch_y * mm_per_pixel;
  fill_sizes(design);
  if (Result<void> good = check_dots(design); !good) return fail(good.error());
  if (Result<void> good = check_count(
          design.chart.kind, design.chart.columns, design.chart.rows, design.chart.pitch_mm);
      !good) {
    return fail(good.error());
  }
  Pattern pattern = paper_pattern(design);
  pattern.pitch = {*pitch_x, *pitch_y};
  if (design.chart.kind == ChartKind::kLines) {
    pattern.line_width = std::max(1.0, std::round(design.line_width_mm / mm_per_pixel));
    design.line_width_mm = pattern.line_width * mm_per_pixel;
    const double half = std::fmod(pattern.line_width, 2.0) == 1.0 ? 0.5 : 0.0;
    pattern.line_overrun = {std::floor(0.5 * *pitch_x) + half, std::floor(0.5 * *pitch_y) + half};
  }
  pattern.dot_diameter = design.dot_diameter_mm / mm_per_pixel;

  Ground ground;
  ground.width = size.width;
  ground.height = size.height;
  ground.name = fmt::format("{} x {} px of {} mm", size.width, size.height, mm_text(mm_per_pixel));
  ground.imprint = options.imprint;
  const double text_size =
      std::round(std::clamp(kTextShare * std::min(size.width, size.height), 9.0, 64.0));
  ground.style = {.text_size = text_size,
                  .stroke = std::max(1.0, std::round(0.06 * text_size)),
                  .margin = text_size,
                  .gap = std::max(0.4 * text_size, kGapShare * pattern.pitch.maxCoeff()),
                  .mm_per_unit = mm_per_pixel,
                  .whole_pixels = true};
  ground.style.num_label_lines = count_label_lines(design, ground);
  Result<ChartDrawing> chart = lay_out(design, ground, pattern);
  if (chart) chart->sheet = {"", size.width * mm_per_pixel, size.height * mm_per_pixel};
  return chart;
}

}  // namespace trueplate::draw
