#include "warp/passes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>

#include "warp/detail/pass_rows.h"

namespace trueplate::warp {
namespace detail {
namespace {

/// The channels of one surface at a pixel and its neighbours, as one vector each.
class Samples {
 public:
  Samples(const ImageView<const float>& pixels, std::span<const int> channels, int x, int y)
      : pixels_(pixels), channels_(channels), x_(x), y_(y) {}

  /// The pixel `across` and `down` from here.
  [[nodiscard]] Samples moved(int across, int down) const {
    return {pixels_, channels_, x_ + across, y_ + down};
  }
  [[nodiscard]] bool exists() const {
    return x_ >= 0 && x_ < pixels_.width && y_ >= 0 && y_ < pixels_.height;
  }
  [[nodiscard]] float value(std::size_t i) const { return pixels_.at(x_, y_, channels_[i]); }
  [[nodiscard]] std::size_t size() const { return channels_.size(); }

 private:
  const ImageView<const float>& pixels_;
  std::span<const int> channels_;
  int x_;
  int y_;
};

/// Whether three samples in a row lie on one surface: their steps, as vectors, differ little.
bool on_one_surface(const Samples& a, const Samples& b, const Samples& c, double bend) {
  if (!a.exists() || !b.exists() || !c.exists()) return false;
  double first = 0.0;
  double second = 0.0;
  double difference = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) {
    const double step = static_cast<double>(b.value(i)) - a.value(i);
    const double next = static_cast<double>(c.value(i)) - b.value(i);
    first += step * step;
    second += next * next;
    difference += (next - step) * (next - step);
  }
  // Written so that NaN and infinity, a ray that hit nothing, are no surface.
  return std::isfinite(first) && std::isfinite(second) &&
         difference <= bend * bend * std::max(first, second);
}

/// On which side (1 or -1, `wanted` first) the surface goes on from `here` along an axis; 0:
/// neither.
int side_of(const Samples& here, int across, int down, int wanted) {
  const auto at = [&](int steps) { return here.moved(steps * across, steps * down); };
  if (on_one_surface(at(-1), here, at(1), kSurfaceBendAround)) return wanted;
  for (const int side : {wanted, -wanted}) {
    if (on_one_surface(here, at(side), at(2 * side), kSurfaceBend)) return side;
  }
  return 0;
}

/// Adds `share` of the step from `from` towards `side` along an axis.
void add_step(
    const Samples& from, int across, int down, int side, double share, std::span<double> values) {
  if (side == 0) return;
  const Samples to = from.moved(side * across, side * down);
  for (std::size_t i = 0; i < values.size(); ++i) {
    values[i] += share * side * (static_cast<double>(to.value(i)) - from.value(i));
  }
}

}  // namespace

void surface_values(const LookupSource& source,
                    double u,
                    double v,
                    std::span<const int> channels,
                    std::span<double> values) {
  const ImageView<const float>& pixels = source.pixels;
  const int x = nearest_index(source.edge, u, pixels.width);
  const int y = nearest_index(source.edge, v, pixels.height);
  if (x < 0 || y < 0) {
    std::fill(values.begin(), values.end(), 0.0);
    return;
  }
  const Samples here(pixels, channels, x, y);
  for (std::size_t i = 0; i < values.size(); ++i) values[i] = here.value(i);
  const double u_rest = u - x;
  const double v_rest = v - y;
  // In a held or mirrored part the place within the pixel does not count.
  if (std::abs(u_rest) > 0.5 || std::abs(v_rest) > 0.5) return;
  const int right = u_rest < 0.0 ? -1 : 1;
  const int below = v_rest < 0.0 ? -1 : 1;
  const int side_x = side_of(here, 1, 0, right);
  const int side_y = side_of(here, 0, 1, below);
  // At the tip of a silhouette a row or column may be too short: then the step is that of the next
  // one on the surface.
  if (side_x == 0 && side_y != 0) {
    const Samples next = here.moved(0, side_y);
    add_step(next, 1, 0, side_of(next, 1, 0, right), u_rest, values);
  }
  if (side_y == 0 && side_x != 0) {
    const Samples next = here.moved(side_x, 0);
    add_step(next, 0, 1, side_of(next, 0, 1, below), v_rest, values);
  }
  add_step(here, 1, 0, side_x, u_rest, values);
  add_step(here, 0, 1, side_y, v_rest, values);
}

}  // namespace detail

Result<void> look_up_nearest(const SourcePicture& source,
                             const StMap& map,
                             std::span<const int> channels,
                             const PassOptions& options,
                             ImageView<float> output) {
  const bool is_pixel_of_four = channels.size() == 4 && channels[1] == channels[0] + 1 &&
                                channels[2] == channels[0] + 2 && channels[3] == channels[0] + 3;
  // As bytes, not as numbers: not every processor copies every float.
  const auto copy = [&](const float* from, float* to) {
    if (is_pixel_of_four) {
      std::memcpy(to + channels[0], from + channels[0], 4 * sizeof(float));
      return;
    }
    for (const int channel : channels) std::memcpy(to + channel, from + channel, sizeof(float));
  };
  const auto body = [&](const detail::LookupSource& lookup,
                        const detail::ScaledMap& scaled,
                        int i,
                        int j,
                        float* out) {
    const ImageView<const float>& pixels = lookup.pixels;
    const Point2d p_px = scaled.position(i, j);
    const int x = detail::nearest_index(lookup.edge, p_px.x() + lookup.offset_x, pixels.width);
    const int y = detail::nearest_index(lookup.edge, p_px.y() + lookup.offset_y, pixels.height);
    if (x < 0 || y < 0) {
      for (const int channel : channels) out[channel] = 0.0F;
      return;
    }
    copy(pixels.row(y) + static_cast<std::ptrdiff_t>(x) * pixels.channels, out);
  };
  return detail::for_each_pixel(source, map, options.edge, options.threads, output, body);
}

Result<void> look_up_surface(const SourcePicture& source,
                             const StMap& map,
                             std::span<const int> channels,
                             const PassOptions& options,
                             ImageView<float> output) {
  // In groups, so that no memory is asked for at each pixel; a surface of more numbers than this is
  // judged by parts of it.
  constexpr std::size_t kGroup = 16;
  const auto body = [&](const detail::LookupSource& lookup,
                        const detail::ScaledMap& scaled,
                        int i,
                        int j,
                        float* out) {
    const Point2d p_px = scaled.position(i, j);
    const double u = p_px.x() + lookup.offset_x;
    const double v = p_px.y() + lookup.offset_y;
    std::array<double, kGroup> values;
    for (std::size_t begin = 0; begin < channels.size(); begin += kGroup) {
      const std::span group = channels.subspan(begin, std::min(kGroup, channels.size() - begin));
      detail::surface_values(lookup, u, v, group, std::span(values).first(group.size()));
      for (std::size_t c = 0; c < group.size(); ++c) out[group[c]] = static_cast<float>(values[c]);
    }
  };
  return detail::for_each_pixel(source, map, options.edge, options.threads, output, body);
}

}  // namespace trueplate::warp
