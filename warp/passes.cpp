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

/// Whether the samples before and after `here`, `step` floats away, lie on one surface with it:
/// on_one_surface() with kSurfaceBendAround, for channels whose number is known.
template <std::size_t kNum>
bool is_smooth(const float* here, std::ptrdiff_t step, std::span<const int> channels) {
  double first = 0.0;
  double second = 0.0;
  double difference = 0.0;
  for (std::size_t i = 0; i < kNum; ++i) {
    const double middle = here[channels[i]];
    const double before = middle - (here - step)[channels[i]];
    const double after = (here + step)[channels[i]] - middle;
    first += before * before;
    second += after * after;
    difference += (after - before) * (after - before);
  }
  return std::isfinite(first) && std::isfinite(second) &&
         difference <= kSurfaceBendAround * kSurfaceBendAround * std::max(first, second);
}

/// The common case, away from silhouettes and edges, with the bits of the general one; false where
/// it is not that.
template <std::size_t kNum>
bool smooth_values(const LookupSource& source,
                   const Place& place,
                   std::span<const int> channels,
                   std::span<double> values) {
  const ImageView<const float>& pixels = source.pixels;
  const auto is_inside = [](int i, int size) { return i >= 1 && i < size - 1; };
  if (!is_inside(place.x, pixels.width) || !is_inside(place.y, pixels.height)) return false;
  const std::ptrdiff_t step_x = pixels.channels;
  const std::ptrdiff_t step_y = pixels.row_stride;
  const float* here = pixels.row(place.y) + place.x * step_x;
  const double u_rest = place.u - place.x;
  const double v_rest = place.v - place.y;
  // In a held or mirrored part the place within the pixel does not count.
  if (std::abs(u_rest) > 0.5 || std::abs(v_rest) > 0.5) return false;
  if (!is_smooth<kNum>(here, step_x, channels) || !is_smooth<kNum>(here, step_y, channels)) {
    return false;
  }
  const double right = u_rest < 0.0 ? -1.0 : 1.0;
  const double below = v_rest < 0.0 ? -1.0 : 1.0;
  const float* beside = u_rest < 0.0 ? here - step_x : here + step_x;
  const float* next = v_rest < 0.0 ? here - step_y : here + step_y;
  for (std::size_t i = 0; i < kNum; ++i) {
    const double value = here[channels[i]];
    values[i] = value + u_rest * right * (beside[channels[i]] - value) +
                v_rest * below * (next[channels[i]] - value);
  }
  return true;
}

bool smooth_values_of(const LookupSource& source,
                      const Place& place,
                      std::span<const int> channels,
                      std::span<double> values) {
  switch (channels.size()) {
    case 1:
      return smooth_values<1>(source, place, channels, values);
    case 2:
      return smooth_values<2>(source, place, channels, values);
    case 3:
      return smooth_values<3>(source, place, channels, values);
    case 4:
      return smooth_values<4>(source, place, channels, values);
    default:
      return false;
  }
}

}  // namespace

void surface_values(const LookupSource& source,
                    const Place& place,
                    std::span<const int> channels,
                    std::span<double> values) {
  const ImageView<const float>& pixels = source.pixels;
  if (!place.exists()) {
    std::fill(values.begin(), values.end(), 0.0);
    return;
  }
  if (smooth_values_of(source, place, channels, values)) return;
  const Samples here(pixels, channels, place.x, place.y);
  for (std::size_t i = 0; i < values.size(); ++i) values[i] = here.value(i);
  const double u_rest = place.u - place.x;
  const double v_rest = place.v - place.y;
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
                        const detail::ScaledMap& /*map*/,
                        const detail::Place& place,
                        int /*i*/,
                        int /*j*/,
                        float* out) {
    if (!place.exists()) {
      for (const int channel : channels) out[channel] = 0.0F;
      return;
    }
    const ImageView<const float>& pixels = lookup.pixels;
    const float* from =
        pixels.row(place.y) + static_cast<std::ptrdiff_t>(place.x) * pixels.channels;
    // What the next output row will need: rows of a bent picture cross many source rows, too short
    // a run in each for the processor to foresee.
    __builtin_prefetch(from + pixels.row_stride);
    copy(from, out);
  };
  return detail::for_each_place(source, map, options, output, body);
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
                        const detail::ScaledMap& /*map*/,
                        const detail::Place& place,
                        int /*i*/,
                        int /*j*/,
                        float* out) {
    std::array<double, kGroup> values;
    for (std::size_t begin = 0; begin < channels.size(); begin += kGroup) {
      const std::span group = channels.subspan(begin, std::min(kGroup, channels.size() - begin));
      detail::surface_values(lookup, place, group, std::span(values).first(group.size()));
      for (std::size_t c = 0; c < group.size(); ++c) out[group[c]] = static_cast<float>(values[c]);
    }
  };
  return detail::for_each_place(source, map, options, output, body);
}

}  // namespace trueplate::warp
