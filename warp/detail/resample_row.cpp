#include "warp/detail/resample_row.h"

#include <algorithm>

#include "calib/base/detail/instruction_sets.h"
#include "warp/detail/resample_plain.h"

// Compiled once per instruction set by foreach_target.h.
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "warp/detail/resample_row.cpp"
#include <hwy/cache_control.h>
#include <hwy/foreach_target.h>  // IWYU pragma: keep
#include <hwy/highway.h>

#include "warp/detail/resample_block.h"
#include "warp/detail/resample_places-inl.h"
#include "warp/detail/resample_sums-inl.h"

HWY_BEFORE_NAMESPACE();
namespace trueplate::warp::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET == HWY_SCALAR

void weights_of(Filter filter, std::span<const float> fractions, float* weights) {
  for (std::size_t i = 0; i < fractions.size(); ++i) {
    double w[8] = {};
    filter_weights(filter, fractions[i], w);
    for (int n = 0; n < 8; ++n)
      weights[8 * i + static_cast<std::size_t>(n)] = static_cast<float>(w[n]);
  }
}

void resample_px(const LookupSource& source,
                 Filter filter,
                 const double* x_px,
                 const double* y_px,
                 int count,
                 float* out) {
  for (int i = 0; i < count; ++i) {
    sample_plain(source, {x_px[i], y_px[i]}, filter, out);
    out += source.pixels.channels;
  }
}

void resample_st(const LookupSource& source,
                 Filter filter,
                 const StScale& scale,
                 const float* st,
                 int count,
                 float* out) {
  for (int i = 0; i < count; ++i) {
    const double x = st[2 * i] * scale.s_scale;
    const double y = st[2 * i + 1] * scale.t_scale + scale.t_offset;
    sample_plain(source, {x, y}, filter, out);
    out += source.pixels.channels;
  }
}

#else

/// Kernel that lies partly outside the stored pixels: copies what is taken for its pixels, four
/// channels at a time, into a square of black.
template <int kTaps>
HWY_NOINLINE void sum_at_edge(const LookupSource& source,
                              std::int32_t x0,
                              std::int32_t y0,
                              const PixelWeights& w,
                              float* HWY_RESTRICT out) {
  const ImageView<const float>& pixels = source.pixels;
  const int channels = pixels.channels;
  for (int c = 0; c < channels; c += 4) {
    const int group = std::min(4, channels - c);
    alignas(64) float square[kTaps * kTaps * 4] = {};
    for (int j = 0; j < kTaps; ++j) {
      const int y = stored_index(source.edge, y0 + j, pixels.height);
      if (y < 0) continue;
      const float* from = pixels.row(y) + c;
      float* to = square + static_cast<std::ptrdiff_t>(j) * kTaps * 4;
      for (int i = 0; i < kTaps; ++i) {
        const int x = stored_index(source.edge, x0 + i, pixels.width);
        if (x < 0) continue;
        std::copy_n(from + static_cast<std::ptrdiff_t>(x) * channels, group, to + 4 * i);
      }
    }
    alignas(16) float sums[4];
    hn::Store(sum_packed<kTaps, 4>(square, kTaps * 4, w), Four(), sums);
    std::copy_n(sums, group, out + c);
  }
}

/// Channels of a picture, as far as there is a kernel of its own for them.
enum class Layout { kOne, kThree, kFour, kOther };

/// Pixels to the right of the kernel that its last vector may touch: with fewer than four channels
/// a vector of four floats, and with three channels one of sixteen from four pixels before the end,
/// reaches further than the kernel.
constexpr int read_ahead(Layout layout) {
  return layout == Layout::kThree ? 2 : layout == Layout::kOther ? 1 : 0;
}

template <int kTaps, Layout kLayout>
HWY_INLINE void sum_block(const LookupSource& source,
                          const Places& places,
                          const Weights& weights_x,
                          const Weights& weights_y,
                          int count,
                          float* HWY_RESTRICT out) {
  const Four d;
  const ImageView<const float>& pixels = source.pixels;
  const std::ptrdiff_t channels = pixels.channels;
  // Kernels that begin in 0 .. limit - 1 may be summed where they lie.
  constexpr int kWidth = kTaps + read_ahead(kLayout);
  const auto limit_x = static_cast<std::uint32_t>(std::max(0, pixels.width - kWidth + 1));
  const auto limit_y = static_cast<std::uint32_t>(std::max(0, pixels.height - kTaps + 1));
  // Stores four lanes; with fewer channels the next pixel overwrites the surplus, and the last
  // pixel must not have any.
  const auto store_pixel = [&](V4 sum, int i) HWY_ATTR {
    if (channels >= 4 || i + 1 < count) {
      hn::StoreU(sum, d, out);
    } else {
      alignas(16) float sums[4];
      hn::Store(sum, d, sums);
      std::copy_n(sums, channels, out);
    }
  };
  for (int i = 0; i < count; ++i, out += channels) {
    const std::int32_t x = places.x[i];
    const std::int32_t y = places.y[i];
    const PixelWeights w = {weights_x.first + 4 * i,
                            weights_x.second + 4 * i,
                            weights_y.first + 4 * i,
                            weights_y.second + 4 * i};
    if (HWY_UNLIKELY(static_cast<std::uint32_t>(x) >= limit_x ||
                     static_cast<std::uint32_t>(y) >= limit_y)) {
      if (x <= -kTaps || y <= -kTaps || x >= pixels.width || y >= pixels.height) {
        std::fill_n(out, channels, 0.0F);
      } else {
        sum_at_edge<kTaps>(source, x, y, w, out);
      }
      continue;
    }
    const float* p = pixels.row(y) + x * channels;
    // What the next output row will need first. Rows of a bent picture cross many source rows, too
    // short a run in each for the processor to foresee: bilinear RGBA 41 ms without, 32 ms with it.
    hwy::Prefetch(p + kTaps * pixels.row_stride);
    if constexpr (kLayout == Layout::kOne) {
      *out = sum_one_channel<kTaps>(p, pixels.row_stride, w);
    } else if constexpr (kLayout == Layout::kThree) {
      store_pixel(sum_packed<kTaps, 3>(p, pixels.row_stride, w), i);
    } else if constexpr (kLayout == Layout::kFour) {
      store_pixel(sum_packed<kTaps, 4>(p, pixels.row_stride, w), i);
    } else if (channels < 4) {
      store_pixel(sum_stepped<kTaps>(p, pixels.row_stride, channels, w), i);
    } else {
      for (std::ptrdiff_t c = 0; c < channels; c += 4) {
        // The last group begins early rather than reach beyond the pixel.
        const std::ptrdiff_t begin = std::min(c, channels - 4);
        hn::StoreU(sum_stepped<kTaps>(p + begin, pixels.row_stride, channels, w), d, out + begin);
      }
    }
  }
}

template <Filter kFilter>
HWY_INLINE void finish_block(const LookupSource& source,
                             const Places& places,
                             int count,
                             float* out) {
  constexpr int kTaps = kFilter == Filter::kBilinear ? 2 : kFilter == Filter::kCubic ? 4 : 6;
  Weights weights_x;
  Weights weights_y;
  compute_weights<kFilter>(places.fraction_x, count, weights_x);
  compute_weights<kFilter>(places.fraction_y, count, weights_y);
  switch (source.pixels.channels) {
    case 1:
      return sum_block<kTaps, Layout::kOne>(source, places, weights_x, weights_y, count, out);
    case 3:
      return sum_block<kTaps, Layout::kThree>(source, places, weights_x, weights_y, count, out);
    case 4:
      return sum_block<kTaps, Layout::kFour>(source, places, weights_x, weights_y, count, out);
    default:
      return sum_block<kTaps, Layout::kOther>(source, places, weights_x, weights_y, count, out);
  }
}

template <Filter kFilter>
void resample_st_as(
    const LookupSource& source, const StScale& scale, const float* st, int count, float* out) {
  const int lanes = static_cast<int>(hn::Lanes(Tag64()));
  const int taps = kernel_width(kFilter);
  Places places = {};
  for (int begin = 0; begin < count; begin += kBlock) {
    const int block = std::min(kBlock, count - begin);
    const float* from = st + 2 * static_cast<std::ptrdiff_t>(begin);
    int i = 0;
    for (; i + lanes <= block; i += lanes) locate_st(source, taps, scale, from + 2 * i, i, places);
    if (i < block) {
      float last[2 * hn::MaxLanes(Tag64())] = {};
      std::copy_n(from + 2 * i, 2 * (block - i), last);
      locate_st(source, taps, scale, last, i, places);
    }
    finish_block<kFilter>(
        source, places, block, out + static_cast<std::ptrdiff_t>(begin) * source.pixels.channels);
  }
}

template <Filter kFilter>
void resample_px_as(
    const LookupSource& source, const double* x_px, const double* y_px, int count, float* out) {
  const int lanes = static_cast<int>(hn::Lanes(Tag64()));
  const int taps = kernel_width(kFilter);
  Places places = {};
  for (int begin = 0; begin < count; begin += kBlock) {
    const int block = std::min(kBlock, count - begin);
    int i = 0;
    for (; i + lanes <= block; i += lanes) {
      locate_px(source, taps, x_px + begin + i, y_px + begin + i, i, places);
    }
    if (i < block) {
      double last_x[hn::MaxLanes(Tag64())] = {};
      double last_y[hn::MaxLanes(Tag64())] = {};
      std::copy_n(x_px + begin + i, block - i, last_x);
      std::copy_n(y_px + begin + i, block - i, last_y);
      locate_px(source, taps, last_x, last_y, i, places);
    }
    finish_block<kFilter>(
        source, places, block, out + static_cast<std::ptrdiff_t>(begin) * source.pixels.channels);
  }
}

void resample_st(const LookupSource& source,
                 Filter filter,
                 const StScale& scale,
                 const float* st,
                 int count,
                 float* out) {
  switch (filter) {
    case Filter::kBilinear:
      return resample_st_as<Filter::kBilinear>(source, scale, st, count, out);
    case Filter::kCubic:
      return resample_st_as<Filter::kCubic>(source, scale, st, count, out);
    case Filter::kLanczos:
      return resample_st_as<Filter::kLanczos>(source, scale, st, count, out);
    case Filter::kArea:
      return;  // area_row() does it
  }
}

void resample_px(const LookupSource& source,
                 Filter filter,
                 const double* x_px,
                 const double* y_px,
                 int count,
                 float* out) {
  switch (filter) {
    case Filter::kBilinear:
      return resample_px_as<Filter::kBilinear>(source, x_px, y_px, count, out);
    case Filter::kCubic:
      return resample_px_as<Filter::kCubic>(source, x_px, y_px, count, out);
    case Filter::kLanczos:
      return resample_px_as<Filter::kLanczos>(source, x_px, y_px, count, out);
    case Filter::kArea:
      return;  // area_row() does it
  }
}

void weights_of(Filter filter, std::span<const float> fractions, float* to) {
  Places places = {};
  Weights weights;
  for (std::size_t begin = 0; begin < fractions.size(); begin += kBlock) {
    const std::size_t block = std::min<std::size_t>(kBlock, fractions.size() - begin);
    std::copy_n(fractions.data() + begin, block, places.fraction_x);
    std::fill(std::begin(weights.second), std::end(weights.second), 0.0F);
    const int count = static_cast<int>(block);
    switch (filter) {
      case Filter::kBilinear:
        compute_weights<Filter::kBilinear>(places.fraction_x, count, weights);
        break;
      case Filter::kCubic:
      case Filter::kArea:
        compute_weights<Filter::kCubic>(places.fraction_x, count, weights);
        break;
      case Filter::kLanczos:
        compute_weights<Filter::kLanczos>(places.fraction_x, count, weights);
        break;
    }
    for (std::size_t i = 0; i < block; ++i) {
      std::copy_n(weights.first + 4 * i, 4, to + 8 * (begin + i));
      std::copy_n(weights.second + 4 * i, 4, to + 8 * (begin + i) + 4);
    }
  }
}

#endif  // HWY_TARGET == HWY_SCALAR

}  // namespace trueplate::warp::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace trueplate::warp::detail {

HWY_EXPORT(resample_st);
HWY_EXPORT(resample_px);
HWY_EXPORT(weights_of);

StScale st_scale(ImageSize source_display, TOrigin origin) {
  const double height = source_display.height;
  const bool from_top = origin == TOrigin::kTopLeft;
  return {.s_scale = static_cast<double>(source_display.width),
          .t_scale = from_top ? height : -height,
          .t_offset = from_top ? 0.0 : height};
}

void resample_row(const LookupSource& source,
                  Filter filter,
                  const StScale& scale,
                  std::span<const float> st,
                  float* out) {
  const int count = static_cast<int>(st.size() / 2);
  HWY_DYNAMIC_DISPATCH(resample_st)(source, filter, scale, st.data(), count, out);
}

void resample_row(const LookupSource& source,
                  Filter filter,
                  std::span<const double> x_px,
                  std::span<const double> y_px,
                  float* out) {
  const int count = static_cast<int>(x_px.size());
  HWY_DYNAMIC_DISPATCH(resample_px)(source, filter, x_px.data(), y_px.data(), count, out);
}

void vector_weights(Filter filter, std::span<const float> fractions, float* weights) {
  HWY_DYNAMIC_DISPATCH(weights_of)(filter, fractions, weights);
}

}  // namespace trueplate::warp::detail
#endif  // HWY_ONCE
