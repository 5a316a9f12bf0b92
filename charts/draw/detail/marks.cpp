#include "charts/draw/detail/marks.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

namespace trueplate::draw::detail {
namespace {

// All in multiples of the size of the text.
constexpr double kLineStep = 1.4;    // from one line of the label to the next
constexpr double kBarNumbers = 1.6;  // below the base line of a scale bar
constexpr double kBarTick = 0.9;     // above it
constexpr double kBarBand = kBarNumbers + kBarTick + 0.4;
constexpr double kRing = 2.0;         // around the pattern, for arrows and pointers
constexpr double kBarInset = 0.8;     // where a bar begins, from the margin
constexpr double kBarOutset = 2.4;    // what the number at its end needs
constexpr double kLetterWidth = 0.6;  // of an average letter

/// Puts shapes on the sheet; on a screen with their edges on whole pixels.
class Pen {
 public:
  Pen(const MarkStyle& style, std::vector<Shape>& shapes) : style_(style), shapes_(shapes) {}

  [[nodiscard]] double snapped(double value) const {
    return style_.whole_pixels ? std::round(value) : value;
  }
  [[nodiscard]] Point2d snapped(const Point2d& p) const { return {snapped(p.x()), snapped(p.y())}; }

  void box(const Point2d& low, const Point2d& high) {
    shapes_.emplace_back(Box{snapped(low), snapped(high), Shade::kDark});
  }
  /// A line of the style's stroke from `begin` to `end`, which differ in one coordinate.
  void stroke(const Point2d& begin, const Point2d& end) {
    const bool along_x = begin.y() == end.y();
    const Point2d across = along_x ? Point2d(0.0, style_.stroke) : Point2d(style_.stroke, 0.0);
    if (style_.whole_pixels) {
      shapes_.emplace_back(Box{snapped(begin), snapped(end) + across, Shade::kDark});
    } else {
      shapes_.emplace_back(Box{begin - 0.5 * across, end + 0.5 * across, Shade::kDark});
    }
  }
  void triangle(const Point2d& tip, const Point2d& a, const Point2d& b) {
    shapes_.emplace_back(Polygon{{snapped(tip), snapped(a), snapped(b)}, Shade::kDark});
  }
  void text(Text text) {
    text.place = snapped(text.place);
    shapes_.emplace_back(std::move(text));
  }

 private:
  const MarkStyle& style_;
  std::vector<Shape>& shapes_;
};

void add_center_pointers(const MarkPlan& plan, Pen& pen) {
  const double u = plan.style.text_size;
  const double gap = plan.style.gap;
  const Box box = plan.pattern.box();
  const Point2d center = pen.snapped(plan.pattern.center());
  const double half = pen.snapped(0.55 * u);
  const double depth = pen.snapped(1.1 * u);
  const double top = pen.snapped(box.low.y() - gap);
  const double bottom = pen.snapped(box.high.y() + gap);
  const double left = pen.snapped(box.low.x() - gap);
  const double right = pen.snapped(box.high.x() + gap);
  for (const auto& [tip, back] : {std::pair(top, top - depth), std::pair(bottom, bottom + depth)}) {
    pen.triangle({center.x(), tip}, {center.x() - half, back}, {center.x() + half, back});
  }
  for (const auto& [tip, back] : {std::pair(left, left - depth), std::pair(right, right + depth)}) {
    pen.triangle({tip, center.y()}, {back, center.y() - half}, {back, center.y() + half});
  }
}

/// An arrow that begins beside chart point (0, 0) and points along axis 0 (x) or 1 (y).
void add_axis(const MarkPlan& plan, int axis, Pen& pen) {
  const double u = plan.style.text_size;
  const Box box = plan.pattern.box();
  const Point2d start = pen.snapped(plan.pattern.origin);
  const double side = pen.snapped((axis == 0 ? box.low.y() : box.low.x()) - plan.style.gap - u);
  const double from = axis == 0 ? start.x() : start.y();
  // The pointer to the centre and the letter need their room.
  const double room = (axis == 0 ? plan.pattern.center().x() : plan.pattern.center().y()) - from;
  const double pitch = axis == 0 ? plan.pattern.pitch.x() : plan.pattern.pitch.y();
  const double length = std::max(std::min(std::max(2.0 * pitch, 6.0 * u), room - 3.2 * u), 1.6 * u);
  const double to = pen.snapped(from + length);
  const double head = pen.snapped(0.9 * u);
  const double wide = pen.snapped(0.4 * u);
  const auto place = [&](double along, double across) {
    return axis == 0 ? Point2d(along, side + across) : Point2d(side + across, along);
  };
  pen.stroke(place(from, -0.5 * u), place(from, 0.5 * u));
  pen.stroke(place(from, 0.0), place(to - head, 0.0));
  pen.triangle(place(to, 0.0), place(to - head, -wide), place(to - head, wide));
  const Point2d letter =
      axis == 0 ? Point2d(to + 0.8 * u, side + 0.3 * u) : Point2d(side, to + 1.2 * u);
  pen.text({.words = axis == 0 ? "x" : "y",
            .place = letter,
            .size = 1.3 * u,
            .align = TextAlign::kMiddle});
}

/// How a scale bar is divided, in the unit of the drawing.
struct BarScale {
  double length = 0.0;
  double step = 0.0;     // of the ticks
  double numbers = 0.0;  // of the numbers
};

Result<BarScale> scale_for(const MarkStyle& style, double room) {
  if (style.whole_pixels) {
    for (const double length : {5000.0, 2000.0, 1000.0, 500.0, 200.0, 100.0, 50.0, 20.0}) {
      if (length <= room) return BarScale{length, length / 10.0, length};
    }
  } else {
    for (const double length : {1000.0, 500.0, 200.0, 100.0, 50.0, 20.0, 10.0}) {
      if (length <= room) return BarScale{length, 10.0, std::min(length, 100.0)};
    }
  }
  return fail(ErrorCode::kInvalidInput,
              "the sheet has no room for a scale bar; use a larger sheet or a smaller margin");
}

std::string number_text(const MarkStyle& style, const BarScale& scale, double at) {
  const bool last = at >= scale.length;
  if (style.whole_pixels && last) {
    return fmt::format("{} px = {} mm", at, mm_text(at * style.mm_per_unit));
  }
  return fmt::format("{}{}", at, last ? " mm" : "");
}

/// A bar along axis 0 (numbers below) or 1 (numbers to its right, reading upwards).
ScaleBar add_scale_bar(
    const MarkStyle& style, const Point2d& begin, int axis, const BarScale& scale, Pen& pen) {
  const double u = style.text_size;
  const Point2d p = pen.snapped(begin);
  const auto place = [&](double along, double across) -> Point2d {
    return axis == 0 ? Point2d(p.x() + along, p.y() + across)
                     : Point2d(p.x() + across, p.y() + along);
  };
  const double overhang = style.whole_pixels ? style.stroke : 0.5 * style.stroke;
  pen.stroke(place(style.whole_pixels ? 0.0 : -overhang, 0.0), place(scale.length + overhang, 0.0));
  const int num_steps = static_cast<int>(std::lround(scale.length / scale.step));
  for (int i = 0; i <= num_steps; ++i) {
    const double at = i * scale.step;
    const bool numbered = std::fmod(at, scale.numbers) == 0.0;
    pen.stroke(place(at, (numbered ? -kBarTick : -0.55 * kBarTick) * u), place(at, 0.0));
    if (!numbered) continue;
    const bool last_on_screen = style.whole_pixels && i == num_steps;
    // Read upwards, a text that ends at the tick goes down from it.
    const TextAlign align = !last_on_screen ? TextAlign::kMiddle
                            : axis == 0     ? TextAlign::kEnd
                                            : TextAlign::kStart;
    pen.text({.words = number_text(style, scale, at),
              .place = place(at, 1.0 * u),
              .size = 0.9 * u,
              .align = align,
              .turn = axis == 0 ? TextTurn::kNone : TextTurn::kUpwards});
  }
  return {.begin = place(0.0, 0.0),
          .end = place(scale.length, 0.0),
          .tick = kBarTick * u,
          .length_mm = scale.length * style.mm_per_unit};
}

}  // namespace

Strips strips_of(const MarkStyle& style) {
  const double u = style.text_size;
  const double around = style.margin + style.gap + kRing * u;
  return {.left = around,
          .top = around,
          .right = around + kBarBand * u,
          .bottom = around + (kBarBand + kLineStep * style.num_label_lines) * u};
}

std::vector<std::string> packed_lines(const std::vector<std::string>& items,
                                      double text_size,
                                      double length) {
  const auto fits = [&](std::size_t letters) {
    return static_cast<double>(letters) * kLetterWidth * text_size <= length;
  };
  std::vector<std::string> lines;
  for (const std::string& item : items) {
    if (!lines.empty() && fits(lines.back().size() + 2 + item.size())) {
      lines.back() += ", " + item;
    } else {
      lines.push_back(item);
    }
  }
  return lines;
}

Result<ScaleBars> add_marks(const MarkPlan& plan, std::vector<Shape>& shapes) {
  const MarkStyle& style = plan.style;
  const double u = style.text_size;
  Pen pen(style, shapes);
  add_center_pointers(plan, pen);
  add_axis(plan, 0, pen);
  add_axis(plan, 1, pen);

  const double label_height = kLineStep * style.num_label_lines * u;
  const double taken = 2.0 * style.margin + (kBarInset + kBarOutset) * u;
  const double room_across = plan.width - taken;
  const double room_down = plan.height - taken - kBarBand * u - label_height;
  const Result<BarScale> across = scale_for(style, room_across);
  if (!across) return fail(across.error());
  const Result<BarScale> down = scale_for(style, room_down);
  if (!down) return fail(down.error());
  const double inset = style.margin + kBarInset * u;
  const double across_y = plan.height - style.margin - label_height - kBarNumbers * u;
  const double down_x = plan.width - style.margin - kBarNumbers * u;
  ScaleBars bars;
  bars.across = add_scale_bar(style, {inset, across_y}, 0, *across, pen);
  bars.down = add_scale_bar(style, {down_x, inset}, 1, *down, pen);

  double base_line = plan.height - style.margin - label_height + u;
  for (const std::string& line : plan.label_lines) {
    pen.text({.words = line,
              .place = {style.margin, base_line},
              .size = u,
              .max_length = plan.width - 2.0 * style.margin});
    base_line += kLineStep * u;
  }
  return bars;
}

}  // namespace trueplate::draw::detail
