#include "charts/draw/detail/detection_marks.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <optional>
#include <utility>
#include <vector>

#include "charts/draw/detail/cairo_shapes.h"

namespace trueplate::draw::detail {
namespace {

struct Colour {
  double red = 0.0;
  double green = 0.0;
  double blue = 0.0;
};
constexpr Colour kWhite{1.0, 1.0, 1.0};
/// Two of the colours that the usual kinds of colour blindness keep apart: B. Wong, Points of view:
/// Color blindness, Nature Methods 8 (2011) 441 (from memory).
constexpr Colour kOrange{0.90, 0.62, 0.0};
constexpr Colour kSkyBlue{0.34, 0.71, 0.91};

constexpr double kRingShare = 0.22;  // radius of a ring, of the distance to the next point
constexpr double kLeastRing = 2.0;
constexpr double kLargestRing = 6.0;
constexpr int kNumberedStep = 10;

struct Place {
  int column = 0;
  int row = 0;

  friend bool operator<(const Place& a, const Place& b) {
    return std::pair(a.row, a.column) < std::pair(b.row, b.column);
  }
};
/// Row by row, in picture pixels.
using Points = std::map<Place, Point2d>;

Place place_of(const Eigen::Vector3d& p_chart_mm, const target::Chart& chart) {
  const auto whole = [](double value) { return static_cast<int>(std::lround(value)); };
  if (chart.kind != target::ChartKind::kDotsStaggered) {
    return {whole(p_chart_mm.x() / chart.pitch_mm), whole(p_chart_mm.y() / chart.pitch_mm)};
  }
  const int row = whole(2.0 * p_chart_mm.y() / chart.pitch_mm);
  const int half_steps = whole(2.0 * p_chart_mm.x() / chart.pitch_mm);
  return {(half_steps - (row & 1)) / 2, row};
}

/// The points of each line of the grid in their order, by the line's number.
using Line = std::vector<std::pair<int, Point2d>>;
struct Lines {
  std::map<int, Line> rows;
  std::map<int, Line> columns;
};

Lines lines_of(const Points& points) {
  Lines lines;
  for (const auto& [place, p_px] : points) {
    lines.rows[place.row].emplace_back(place.column, p_px);
    lines.columns[place.column].emplace_back(place.row, p_px);
  }
  return lines;
}

/// The distance of neighbours on a typical line; 0 where there are none.
double typical_step(const std::map<int, Line>& lines) {
  std::vector<double> steps;
  for (const auto& [number, line] : lines) {
    for (std::size_t i = 1; i < line.size(); ++i) {
      if (line[i].first != line[i - 1].first + 1) continue;
      steps.push_back((line[i].second - line[i - 1].second).norm());
    }
  }
  if (steps.empty()) return 0.0;
  const auto middle = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() / 2);
  std::nth_element(steps.begin(), middle, steps.end());
  return *middle;
}

class Painter {
 public:
  Painter(cairo_t* context, const DetectionMarkStyle& style, const Lines& lines)
      : context_(context),
        style_(style),
        lines_(lines),
        step_across_(typical_step(lines.rows)),
        step_down_(typical_step(lines.columns)) {
    const double step = std::min(step_across_ > 0.0 ? step_across_ : step_down_,
                                 step_down_ > 0.0 ? step_down_ : step_across_);
    ring_ = std::clamp(kRingShare * step, kLeastRing, kLargestRing) * std::max(1.0, style.stroke);
    cairo_set_line_cap(context, CAIRO_LINE_CAP_BUTT);
    cairo_set_line_join(context, CAIRO_LINE_JOIN_MITER);
  }

  void joins() const {
    for (const auto& [number, line] : lines_.rows) join(line, kOrange);
    for (const auto& [number, line] : lines_.columns) join(line, kSkyBlue);
  }

  void ring(const Point2d& p_px) const {
    cairo_new_path(context_);
    cairo_arc(context_, p_px.x(), p_px.y(), ring_, 0.0, 2.0 * std::numbers::pi);
    stroke(kWhite, style_.stroke);
  }

  void cross(const Point2d& p_px) const {
    const double reach = std::max(1.2 * ring_, 5.0 * style_.stroke);
    cairo_new_path(context_);
    for (const double turn : {-1.0, 1.0}) {
      cairo_move_to(context_, p_px.x() - reach, p_px.y() - turn * reach);
      cairo_line_to(context_, p_px.x() + reach, p_px.y() + turn * reach);
    }
    stroke(kWhite, 1.4 * style_.stroke);
  }

  void first_point(const Points& points) const {
    const Point2d p_px = points.begin()->second;
    const double side = 2.0 * ring_ + 6.0 * style_.stroke;
    cairo_new_path(context_);
    cairo_rectangle(context_, p_px.x() - 0.5 * side, p_px.y() - 0.5 * side, side, side);
    stroke(kWhite, 1.6 * style_.stroke);
    if (const std::optional<Point2d> step = first_step()) arrow(p_px, *step, 0.5 * side);
  }

  void numbers(const Points& points) const {
    const auto [first, last] = std::pair(lines_.columns.begin(), std::prev(lines_.columns.end()));
    const double wide = digits(first->first, last->first) * 0.65 * style_.text_size;
    const int column_step = numbering_step(wide + 0.5 * style_.text_size, step_across_);
    const int row_step = numbering_step(1.2 * style_.text_size, step_down_);
    for (const auto& [number, line] : lines_.columns) {
      if (number % column_step == 0) number_at_end(line, number, Point2d(0.0, -1.0));
    }
    for (const auto& [number, line] : lines_.rows) {
      if (number % row_step == 0) number_at_end(line, number, Point2d(-1.0, 0.0));
    }
    for (const auto& [place, p_px] : points) {
      if (place.column % kNumberedStep != 0 || place.row % kNumberedStep != 0) continue;
      if (lines_.rows.at(place.row).front().first == place.column) continue;
      if (lines_.columns.at(place.column).front().first == place.row) continue;
      label(fmt::format("{},{}", place.column, place.row),
            p_px + Point2d(ring_ + style_.text_size, -ring_ - 0.6 * style_.text_size));
    }
  }

 private:
  /// Strokes the current path, with its rim first, and forgets it.
  void stroke(const Colour& colour, double width) const {
    set_rim(width);
    cairo_stroke_preserve(context_);
    cairo_set_source_rgb(context_, colour.red, colour.green, colour.blue);
    cairo_set_line_width(context_, width);
    cairo_stroke(context_);
  }

  /// For the rim of what is `width` wide.
  void set_rim(double width) const {
    cairo_set_source_rgba(context_, 0.0, 0.0, 0.0, 0.85);
    cairo_set_line_width(context_, width + 2.0 * style_.stroke);
  }

  void join(const Line& line, const Colour& colour) const {
    for (std::size_t i = 1; i < line.size(); ++i) {
      const Point2d from = line[i - 1].second;
      const Point2d way = line[i].second - from;
      const double length = way.norm();
      // The rings stay free.
      const double rest = ring_ + 0.5 * style_.stroke;
      if (!(length > 2.0 * rest)) continue;
      const Point2d begin = from + way * (rest / length);
      const Point2d end = from + way * (1.0 - rest / length);
      cairo_new_path(context_);
      cairo_move_to(context_, begin.x(), begin.y());
      cairo_line_to(context_, end.x(), end.y());
      const bool has_gap = line[i].first != line[i - 1].first + 1;
      const std::array<double, 2> dashes = {6.0 * style_.stroke, 5.0 * style_.stroke};
      if (has_gap) cairo_set_dash(context_, dashes.data(), 2, 0.0);
      stroke(colour, 1.2 * style_.stroke);
      cairo_set_dash(context_, nullptr, 0, 0.0);
    }
  }

  /// From the first point of a row to the next, of the first row that has two.
  [[nodiscard]] std::optional<Point2d> first_step() const {
    for (const auto& [number, line] : lines_.rows) {
      if (line.size() > 1) return Point2d(line[1].second - line[0].second);
    }
    return std::nullopt;
  }

  void arrow(const Point2d& from, const Point2d& step, double gap) const {
    const Point2d ahead = step.normalized();
    const Point2d aside(-ahead.y(), ahead.x());
    const double head = 9.0 * style_.stroke;
    const Point2d begin = from + gap * ahead;
    const Point2d tip =
        begin + std::max(step.norm() - gap - ring_ - style_.stroke, 2.5 * head) * ahead;
    const Point2d neck = tip - head * ahead;
    cairo_new_path(context_);
    cairo_move_to(context_, begin.x(), begin.y());
    cairo_line_to(context_, neck.x(), neck.y());
    stroke(kWhite, 2.0 * style_.stroke);
    cairo_new_path(context_);
    for (const Point2d& corner :
         {tip, Point2d(neck + 0.6 * head * aside), Point2d(neck - 0.6 * head * aside)}) {
      cairo_line_to(context_, corner.x(), corner.y());
    }
    cairo_close_path(context_);
    set_rim(style_.stroke);
    cairo_stroke_preserve(context_);
    cairo_set_source_rgb(context_, kWhite.red, kWhite.green, kWhite.blue);
    cairo_fill(context_);
  }

  /// Every how many lines a number of this length finds room.
  static int numbering_step(double length, double step) {
    for (const int every : {1, 2, 5, 10, 20, 50, 100}) {
      if (every * step >= length) return every;
    }
    return 200;
  }

  static int digits(int first, int last) {
    return static_cast<int>(
        std::max(fmt::formatted_size("{}", first), fmt::formatted_size("{}", last)));
  }

  /// Writes a line's number before its first point; `fallback` is the way there from a line of one.
  void number_at_end(const Line& line, int number, const Point2d& fallback) const {
    const Point2d p_px = line.front().second;
    const Point2d away = line.size() > 1 ? Point2d((p_px - line[1].second).normalized()) : fallback;
    const std::string words = fmt::format("{}", number);
    const Point2d way = away * (ring_ + 1.1 * style_.text_size);
    label(words, is_inside(words, p_px + way) ? Point2d(p_px + way) : Point2d(p_px - way));
  }

  /// Whether a label there would lie within the frame.
  [[nodiscard]] bool is_inside(const std::string& words, const Point2d& middle_px) const {
    const double half_width = 0.35 * style_.text_size * static_cast<double>(words.size());
    const double half_height = 0.5 * style_.text_size;
    return middle_px.x() >= half_width && middle_px.x() <= style_.shown.width - half_width &&
           middle_px.y() >= half_height && middle_px.y() <= style_.shown.height - half_height;
  }

  void label(const std::string& words, const Point2d& middle_px) const {
    paint_rimmed_text(context_,
                      {.words = words,
                       .place = middle_px + Point2d(0.0, 0.36 * style_.text_size),
                       .size = style_.text_size,
                       .align = TextAlign::kMiddle},
                      style_.stroke);
  }

  cairo_t* context_;
  DetectionMarkStyle style_;
  const Lines& lines_;
  double step_across_ = 0.0;
  double step_down_ = 0.0;
  double ring_ = 0.0;
};

}  // namespace

void paint_detection(cairo_t* context,
                     const target::Detection& detection,
                     const target::Chart& chart,
                     const DetectionMarkStyle& style) {
  Points points;
  for (const target::Corner& corner : detection.corners) {
    points[place_of(corner.p_chart_mm, chart)] = corner.p_plate_px * style.scale;
  }
  const Lines lines = lines_of(points);
  const Painter painter(context, style, lines);
  painter.joins();
  for (const auto& [place, p_px] : points) painter.ring(p_px);
  for (const Point2d& p_px : detection.dropped_px) painter.cross(p_px * style.scale);
  if (points.empty()) return;
  painter.first_point(points);
  painter.numbers(points);
}

void paint_rimmed_text(cairo_t* context, const Text& text, double rim) {
  cairo_set_source_rgb(context, 0.0, 0.0, 0.0);
  constexpr int kCopies = 8;
  for (int i = 0; i < kCopies; ++i) {
    const double angle = 2.0 * std::numbers::pi * i / kCopies;
    Text copy = text;
    copy.place += 1.5 * rim * Point2d(std::cos(angle), std::sin(angle));
    paint_text(context, copy);
  }
  cairo_set_source_rgb(context, 1.0, 1.0, 1.0);
  paint_text(context, text);
}

}  // namespace trueplate::draw::detail
