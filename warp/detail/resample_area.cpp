#include "warp/detail/resample_area.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace trueplate::warp::detail {
namespace {

/// Keys 1981 with a = -1/2, as a function of the distance.
double cubic(double x) {
  x = std::abs(x);
  if (x < 1.0) return 1.0 + x * x * (1.5 * x - 2.5);
  if (x < 2.0) return 2.0 + x * (-4.0 + x * (2.5 - 0.5 * x));
  return 0.0;
}

/// Channels summed at a time.
constexpr int kGroup = 16;

/// Sums kChannels channels, or `channels` where that is 0.
template <int kChannels>
void sum_taps(const ImageView<const float>& pixels,
              const AreaTaps& across,
              const AreaTaps& down,
              int first,
              int channels,
              float* out) {
  const int count = kChannels > 0 ? kChannels : channels;
  constexpr int kRoom = kChannels > 0 ? kChannels : kGroup;
  std::array<float, kRoom> sums{};
  for (int j = 0; j < down.count(); ++j) {
    if (down.index(j) < 0) continue;
    const float* row = pixels.row(down.index(j)) + first;
    std::array<float, kRoom> row_sums{};
    for (int i = 0; i < across.count(); ++i) {
      if (across.index(i) < 0) continue;
      const float* pixel = row + static_cast<std::ptrdiff_t>(across.index(i)) * pixels.channels;
      const float weight = across.weight(i);
      for (int c = 0; c < count; ++c) row_sums[static_cast<std::size_t>(c)] += weight * pixel[c];
    }
    const float weight = down.weight(j);
    for (int c = 0; c < count; ++c) {
      const auto place = static_cast<std::size_t>(c);
      sums[place] += weight * row_sums[place];
    }
  }
  std::copy_n(sums.begin(), count, out);
}

void sum_pixel(const ImageView<const float>& pixels,
               const AreaTaps& across,
               const AreaTaps& down,
               float* out) {
  switch (pixels.channels) {
    case 1:
      return sum_taps<1>(pixels, across, down, 0, 1, out);
    case 3:
      return sum_taps<3>(pixels, across, down, 0, 3, out);
    case 4:
      return sum_taps<4>(pixels, across, down, 0, 4, out);
    default:
      for (int c = 0; c < pixels.channels; c += kGroup) {
        sum_taps<0>(pixels, across, down, c, std::min(kGroup, pixels.channels - c), out + c);
      }
  }
}

void area_pixel(const LookupSource& source, const Point2d& p_px, const Widths& widths, float* out) {
  const ImageView<const float>& pixels = source.pixels;
  // Wide enough that a held edge has only its own pixel under the kernel.
  const auto place = [&](double u, double width, int size) {
    const int taps = 2 * static_cast<int>(std::ceil(2.0 * width));
    return continued(source.edge, u, taps, size);
  };
  const double u = place(p_px.x() + source.offset_x, widths.x, pixels.width);
  const double v = place(p_px.y() + source.offset_y, widths.y, pixels.height);
  const AreaTaps across(u, widths.x, source.edge, pixels.width);
  const AreaTaps down(v, widths.y, source.edge, pixels.height);
  sum_pixel(pixels, across, down, out);
}

}  // namespace

Widths widths_of(const Slopes& slopes) {
  const auto width = [](double a, double b) {
    const double length = std::sqrt(a * a + b * b);
    return length < kWidens ? 1.0 : std::min(length, kMaxShrink);
  };
  return {width(slopes.x_by_column, slopes.x_by_row), width(slopes.y_by_column, slopes.y_by_row)};
}

AreaTaps::AreaTaps(double u, double width, Edge edge, int size) {
  const double reach = 2.0 * width;
  if (!(u > -reach - 1.0 && u < size + reach)) return;
  const int begin = static_cast<int>(std::floor(u - reach)) + 1;
  const int end = static_cast<int>(std::ceil(u + reach));
  double sum = 0.0;
  std::array<double, kMost> weights;
  for (int i = begin; i < end && count_ < kMost; ++i, ++count_) {
    indices_[count_] = stored_index(edge, i, size);
    weights[static_cast<std::size_t>(count_)] = cubic((i - u) / width);
    sum += weights[static_cast<std::size_t>(count_)];
  }
  for (int i = 0; i < count_; ++i) {
    weights_[i] = static_cast<float>(weights[static_cast<std::size_t>(i)] / sum);
  }
}

void area_row(const LookupSource& source, const ScaledMap& map, int j, float* out) {
  const std::ptrdiff_t channels = source.pixels.channels;
  const int count = map.map.st.width();
  for (int i = 0; i < count;) {
    // Where nothing shrinks it is the cubic, which has a kernel of its own.
    const int begin = i;
    Widths widths;
    for (; i < count; ++i) {
      widths = widths_of(slopes_at(map, i, j));
      if (!widths.is_cubic()) break;
    }
    if (i > begin) {
      const float* st = map.map.st.row(j) + 2 * static_cast<std::ptrdiff_t>(begin);
      const auto size = 2 * static_cast<std::size_t>(i - begin);
      resample_row(source, Filter::kCubic, map.scale, {st, size}, out + begin * channels);
    }
    if (i == count) return;
    area_pixel(source, map.position(i, j), widths, out + i * channels);
    ++i;
  }
}

}  // namespace trueplate::warp::detail
