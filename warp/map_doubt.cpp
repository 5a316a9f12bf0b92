#include "warp/map_doubt.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <limits>

#include "warp/map_origin.h"

namespace trueplate::warp {
namespace {

/// Least and largest of a number.
struct Range {
  double least = std::numeric_limits<double>::infinity();
  double largest = -std::numeric_limits<double>::infinity();
  void include(double value) {
    least = std::min(least, value);
    largest = std::max(largest, value);
  }
  [[nodiscard]] double span() const { return largest - least; }
};

/// What the pixels with a source span: of the source by s and t, of the picture by x and y.
struct Spans {
  std::size_t num_pixels = 0;
  Range s;
  Range t;
  Range x_px;
  Range y_px;
};

Spans spans_of(const Image<float>& st) {
  Spans spans;
  for (int y = 0; y < st.height(); ++y) {
    const float* at = st.row(y);
    for (int x = 0; x < st.width(); ++x, at += 2) {
      if (std::isnan(at[0])) continue;
      ++spans.num_pixels;
      spans.s.include(at[0]);
      spans.t.include(at[1]);
      spans.x_px.include(x);
      spans.y_px.include(y);
    }
  }
  return spans;
}

bool changes_steadily(const Image<float>& st) {
  for (const StChannel channel : {StChannel::kS, StChannel::kT}) {
    for (const Along along : {Along::kRow, Along::kColumn}) {
      if (steady_change(st, channel, along)) return true;
    }
  }
  return false;
}

/// Half the step between halves, in source pixels, both axes together: the largest error there.
struct HalfSteps {
  double worst_px = 0.0;
  double rms_px = 0.0;
};

HalfSteps half_steps(const StMap& map) {
  // Steps between halves: 2^-10 of the power of two below the value.
  const auto half_step = [](float value) {
    return std::ldexp(0.5, std::max(-14, std::ilogb(std::max(std::abs(value), 1e-6F))) - 10);
  };
  HalfSteps steps;
  double sum_squares = 0.0;
  std::size_t num_values = 0;
  for (int y = 0; y < map.st.height(); ++y) {
    const float* st = map.st.row(y);
    for (int x = 0; x < map.st.width(); ++x, st += 2) {
      if (std::isnan(st[0])) continue;
      const double off_px = std::hypot(half_step(st[0]) * map.source_display.width,
                                       half_step(st[1]) * map.source_display.height);
      steps.worst_px = std::max(steps.worst_px, off_px);
      sum_squares += off_px * off_px;
      ++num_values;
    }
  }
  if (num_values == 0) return steps;
  steps.rms_px = std::sqrt(sum_squares / static_cast<double>(num_values));
  return steps;
}

}  // namespace

std::optional<Warning> position_doubt(const StMap& map) {
  const Spans spans = spans_of(map.st);
  if (spans.num_pixels == 0) {
    return Warning{"no-source", "no pixel of the map has a source: nothing can come out", 1.0};
  }
  // Overscan of a wide lens hardly looks further, so it does not count.
  const double across = std::min(1.0, spans.x_px.span() / map.output.display.width);
  const double down = std::min(1.0, spans.y_px.span() / map.output.display.height);
  const double s = spans.s.span();
  const double t = spans.t.span();
  const double larger = std::max(s, t);
  if (s < kLeastSpan * across && t < kLeastSpan * down) {
    return Warning{"no-positions",
                   fmt::format("all positions of the map lie within {:.2g} of the source's width "
                               "and {:.2g} of its height, though its pixels span {:.2g} and {:.2g} "
                               "of the picture: a map of displacements, or of one value, is not an "
                               "ST-map, which holds positions that grow from 0 to 1",
                               s,
                               t,
                               across,
                               down),
                   larger};
  }
  const bool is_line = spans.x_px.span() < 1.0 || spans.y_px.span() < 1.0;
  if (is_line || changes_steadily(map.st)) return std::nullopt;
  return Warning{"no-positions",
                 "neither s nor t grows steadily along its rows or columns, as positions do: a "
                 "picture is not an ST-map; were map and picture exchanged, or has it s and t in "
                 "other channels (--map-channels)?",
                 larger};
}

Warning half_doubt(const StMap& map) {
  const HalfSteps steps = half_steps(map);
  return {"half-map",
          fmt::format("a map of 16-bit half: its positions are off by up to {:.2f} px of a source "
                      "of {}x{} where their rounding is coarsest, {:.2f} px rms over the "
                      "map; have it written as 32-bit float",
                      steps.worst_px,
                      map.source_display.width,
                      map.source_display.height,
                      half_rounding_px(map)),
          steps.worst_px};
}

double half_rounding_px(const StMap& map) { return half_steps(map).rms_px / std::sqrt(3.0); }

}  // namespace trueplate::warp
