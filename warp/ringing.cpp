#include <algorithm>
#include <cmath>
#include <limits>

#include "warp/detail/alpha_rows.h"
#include "warp/detail/pass_rows.h"
#include "warp/detail/resample_area.h"
#include "warp/passes.h"

namespace trueplate::warp {
namespace {

using detail::LookupSource;
using detail::ScaledMap;

/// Where the kernel of one output pixel lies.
struct Footprint {
  double u = 0.0;  // distances from the first pixel centre
  double v = 0.0;
  detail::Widths widths = {};
};

struct Range {
  float least = std::numeric_limits<float>::infinity();
  float largest = -std::numeric_limits<float>::infinity();

  [[nodiscard]] bool empty() const { return least > largest; }
  /// NaN stays NaN.
  [[nodiscard]] float hold(float value) const {
    return value < least ? least : value > largest ? largest : value;
  }
};

Footprint footprint_of(
    const LookupSource& lookup, const ScaledMap& map, int i, int j, Filter filter) {
  const Point2d p_px = map.position(i, j);
  Footprint footprint{.u = p_px.x() + lookup.offset_x, .v = p_px.y() + lookup.offset_y};
  if (filter == Filter::kArea) footprint.widths = detail::widths_of(detail::slopes_at(map, i, j));
  const auto place = [&](double u, double width, int size) {
    const int taps = kernel_width(filter) * static_cast<int>(std::ceil(width));
    return detail::continued(lookup.edge, u, taps, size);
  };
  footprint.u = place(footprint.u, footprint.widths.x, lookup.pixels.width);
  footprint.v = place(footprint.v, footprint.widths.y, lookup.pixels.height);
  return footprint;
}

/// Pixel columns and rows, as far as they count: none for a NaN.
struct Box {
  int x_begin = 0;
  int x_end = 0;
  int y_begin = 0;
  int y_end = 0;
  bool is_inside = false;  // all of it is stored
};

/// The pixels nearer than `reach` kernel widths along both axes.
Box box_within(const LookupSource& lookup, const Footprint& at, double reach) {
  const ImageView<const float>& pixels = lookup.pixels;
  const auto near = [&](double u, double width, int size) {
    return u > -size - 100.0 && u < 2.0 * size + 100.0
               ? std::pair(static_cast<int>(std::floor(u - reach * width)) + 1,
                           static_cast<int>(std::ceil(u + reach * width)))
               : std::pair(0, 0);  // NaN among them
  };
  const auto [x_begin, x_end] = near(at.u, at.widths.x, pixels.width);
  const auto [y_begin, y_end] = near(at.v, at.widths.y, pixels.height);
  return {
      .x_begin = x_begin,
      .x_end = x_end,
      .y_begin = y_begin,
      .y_end = y_end,
      .is_inside = x_begin >= 0 && y_begin >= 0 && x_end <= pixels.width && y_end <= pixels.height};
}

/// The least and largest sample of a channel in a box. NaN does not count. Black beyond the edge
/// does.
Range range_in(const LookupSource& lookup, const Box& box, int channel) {
  const ImageView<const float>& pixels = lookup.pixels;
  Range range;
  const auto count = [&](float sample) {
    if (sample < range.least) range.least = sample;
    if (sample > range.largest) range.largest = sample;
  };
  if (box.is_inside) {
    for (int y = box.y_begin; y < box.y_end; ++y) {
      const float* row = pixels.row(y) + channel;
      for (int x = box.x_begin; x < box.x_end; ++x) {
        count(row[static_cast<std::ptrdiff_t>(x) * pixels.channels]);
      }
    }
    return range;
  }
  for (int y = box.y_begin; y < box.y_end; ++y) {
    const int row = detail::stored_index(lookup.edge, y, pixels.height);
    for (int x = box.x_begin; x < box.x_end; ++x) {
      const int column = detail::stored_index(lookup.edge, x, pixels.width);
      count(row < 0 || column < 0 ? 0.0F : pixels.at(column, row, channel));
    }
  }
  return range;
}

/// Distance at which the positive part of each kernel ends.
constexpr double kInner = 1.0;

PassOptions pass_options(const ResampleOptions& options) {
  return {.edge = options.edge, .first_row = options.first_row, .threads = options.threads};
}

}  // namespace

Result<void> limit_highlights(const SourcePicture& source,
                              const StMap& map,
                              std::span<const int> channels,
                              const ResampleOptions& options,
                              ImageView<float> output) {
  const double reach = 0.5 * kernel_width(options.filter);
  const auto body =
      [&](const LookupSource& lookup, const ScaledMap& scaled, int i, int j, float* out) {
        const Footprint at = footprint_of(lookup, scaled, i, j, options.filter);
        const Box whole = box_within(lookup, at, reach);
        const Box within = box_within(lookup, at, kInner);
        for (const int channel : channels) {
          if (!(range_in(lookup, whole, channel).largest > 1.0F)) continue;
          const Range inner = range_in(lookup, within, channel);
          if (!inner.empty()) out[channel] = inner.hold(out[channel]);
        }
      };
  return detail::for_each_pixel(source, map, pass_options(options), output, body);
}

Result<void> limit_with_alpha(const SourcePicture& source,
                              const StMap& colour_map,
                              int alpha,
                              std::span<const int> colours,
                              const ResampleOptions& options,
                              ImageView<float> output) {
  const auto body =
      [&](const LookupSource& lookup, const ScaledMap& scaled, int i, int j, float* out) {
        const float before = out[alpha];
        if (!(before < 0.0F || before > 1.0F)) return;
        if (before < -detail::kAlphaRounding || before > 1.0F + detail::kAlphaRounding) {
          const Footprint at = footprint_of(lookup, scaled, i, j, options.filter);
          const Box within = box_within(lookup, at, kInner);
          for (const int channel : colours) {
            const Range inner = range_in(lookup, within, channel);
            if (!inner.empty()) out[channel] = inner.hold(out[channel]);
          }
        }
        for (const int channel : colours) {
          if (channel == alpha) out[channel] = std::clamp(out[channel], 0.0F, 1.0F);
        }
      };
  return detail::for_each_pixel(source, colour_map, pass_options(options), output, body);
}

}  // namespace trueplate::warp
