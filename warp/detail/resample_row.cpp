#include "warp/detail/resample_row.h"

#include <algorithm>
#include <cstring>

#include "warp/detail/resample_plain.h"

// Compiled once per instruction set by foreach_target.h. Left out: two sets that are within a few
// percent of their neighbours or no longer in use, and vectors of unknown length, which cannot be
// members of a struct.
#define HWY_DISABLED_TARGETS \
  (HWY_SSSE3 | HWY_AVX3_DL | HWY_SVE | HWY_SVE2 | HWY_SVE_256 | HWY_SVE2_128 | HWY_RVV)
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "warp/detail/resample_row.cpp"
#include <hwy/cache_control.h>
#include <hwy/foreach_target.h>  // IWYU pragma: keep
#include <hwy/highway.h>

#ifndef TRUEPLATE_RESAMPLE_ROW_ONCE
#define TRUEPLATE_RESAMPLE_ROW_ONCE
namespace trueplate::warp::detail {

/// Pixels worked on at a time, so that positions and weights stay in the first-level cache.
inline constexpr int kBlock = 128;

/// More lanes than any vector has; room for whole vectors at the end of a block.
inline constexpr int kMaxLanes = 64;

/// Where the kernels of a block of pixels lie: the first pixel under each, in stored pixels, and
/// the fraction of the position. kAway when no stored pixel is under the kernel.
struct Places {
  alignas(64) std::int32_t x[kBlock + kMaxLanes];
  alignas(64) std::int32_t y[kBlock + kMaxLanes];
  alignas(64) float fraction_x[kBlock + kMaxLanes];
  alignas(64) float fraction_y[kBlock + kMaxLanes];
};
inline constexpr std::int32_t kAway = -1000;

/// Weights of a block of pixels: the first four and the others of each pixel.
struct Weights {
  alignas(64) float first[4 * (kBlock + kMaxLanes)];
  alignas(64) float second[4 * (kBlock + kMaxLanes)];
};

}  // namespace trueplate::warp::detail
#endif  // TRUEPLATE_RESAMPLE_ROW_ONCE

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

using Tag64 = hn::ScalableTag<double>;
using V64 = hn::Vec<Tag64>;
using Half32 = hn::Rebind<float, Tag64>;
using HalfInt = hn::Rebind<std::int32_t, Tag64>;
using Tag32 = hn::ScalableTag<float>;
using V32 = hn::Vec<Tag32>;
using Four = hn::FixedTag<float, 4>;
using V4 = hn::Vec<Four>;

/// Splits distances u from the first stored pixel's centre into the first pixel under the kernel
/// and a fraction.
HWY_INLINE void split(
    V64 u, int taps, int size, std::int32_t* HWY_RESTRICT first, float* HWY_RESTRICT fraction) {
  const Tag64 d;
  const V64 reach = hn::Set(d, taps);
  // NaN compares false, so it goes away too; so do values that int32 could not hold.
  const auto near = hn::And(hn::Gt(u, hn::Neg(reach)), hn::Lt(u, hn::Set(d, size + taps)));
  const V64 kept = hn::IfThenElse(near, u, hn::Set(d, kAway));
  const V64 floor = hn::Floor(kept);
  hn::StoreU(hn::DemoteTo(Half32(), hn::Sub(kept, floor)), Half32(), fraction);
  const V64 index = hn::Sub(floor, hn::Set(d, taps / 2 - 1));
  hn::StoreU(hn::DemoteTo(HalfInt(), index), HalfInt(), first);
}

HWY_INLINE void locate_st(const LookupSource& source,
                          int taps,
                          const StScale& scale,
                          const float* HWY_RESTRICT st,
                          int i,
                          Places& places) {
  const Tag64 d;
  hn::Vec<Half32> s, t;
  hn::LoadInterleaved2(Half32(), st, s, t);
  const V64 u =
      hn::MulAdd(hn::PromoteTo(d, s), hn::Set(d, scale.s_scale), hn::Set(d, source.offset_x));
  const V64 v = hn::MulAdd(
      hn::PromoteTo(d, t), hn::Set(d, scale.t_scale), hn::Set(d, scale.t_offset + source.offset_y));
  split(u, taps, source.pixels.width, places.x + i, places.fraction_x + i);
  split(v, taps, source.pixels.height, places.y + i, places.fraction_y + i);
}

HWY_INLINE void locate_px(const LookupSource& source,
                          int taps,
                          const double* HWY_RESTRICT x_px,
                          const double* HWY_RESTRICT y_px,
                          int i,
                          Places& places) {
  const Tag64 d;
  const V64 u = hn::Add(hn::LoadU(d, x_px), hn::Set(d, source.offset_x));
  const V64 v = hn::Add(hn::LoadU(d, y_px), hn::Set(d, source.offset_y));
  split(u, taps, source.pixels.width, places.x + i, places.fraction_x + i);
  split(v, taps, source.pixels.height, places.y + i, places.fraction_y + i);
}

HWY_INLINE void store_four(V32 a, V32 b, V32 c, V32 e, float* to) {
  hn::StoreInterleaved4(a, b, c, e, Tag32(), to);
}

HWY_INLINE void cubic_weights(V32 f, float* first) {
  const Tag32 d;
  const V32 half = hn::Set(d, 0.5F);
  const V32 one = hn::Set(d, 1.0F);
  const V32 two = hn::Set(d, 2.0F);
  const V32 three = hn::Set(d, 3.0F);
  const V32 half_f = hn::Mul(half, f);
  const V32 half_f2 = hn::Mul(half_f, f);
  const V32 w0 = hn::Mul(half_f, hn::MulSub(f, hn::Sub(two, f), one));
  const V32 w1 = hn::MulAdd(half_f2, hn::MulSub(three, f, hn::Set(d, 5.0F)), one);
  const V32 w2 = hn::Mul(half_f, hn::MulAdd(f, hn::NegMulAdd(three, f, hn::Set(d, 4.0F)), one));
  const V32 w3 = hn::Mul(half_f2, hn::Sub(f, one));
  store_four(w0, w1, w2, w3, first);
}

HWY_INLINE V32 polynomial(const float (&c)[LanczosPolynomials::kTerms], V32 z) {
  const Tag32 d;
  V32 sum = hn::Set(d, c[LanczosPolynomials::kTerms - 1]);
  for (int i = LanczosPolynomials::kTerms - 2; i >= 0; --i)
    sum = hn::MulAdd(sum, z, hn::Set(d, c[i]));
  return sum;
}

HWY_INLINE void lanczos_weights(const LanczosPolynomials& p, V32 f, float* first, float* second) {
  const Tag32 d;
  const V32 one = hn::Set(d, 1.0F);
  const V32 g = hn::Sub(f, hn::Set(d, 0.5F));
  const V32 z = hn::Mul(g, g);
  const V32 rest = hn::Sub(one, f);
  const V32 u = hn::Mul(f, rest);
  V32 left[3], right[3];  // q_n(g), q_n(-g)
  for (int n = 0; n < 3; ++n) {
    const V32 even = polynomial(p.even[n], z);
    const V32 odd = polynomial(p.odd[n], z);
    left[n] = hn::MulAdd(g, odd, even);
    right[n] = hn::NegMulAdd(g, odd, even);
  }
  const V32 zero = hn::Zero(d);
  store_four(hn::Mul(u, left[0]),
             hn::Mul(u, left[1]),
             hn::Mul(rest, hn::MulAdd(f, left[2], one)),
             hn::Mul(f, hn::MulAdd(rest, right[2], one)),
             first);
  store_four(hn::Mul(u, right[1]), hn::Mul(u, right[0]), zero, zero, second);
}

template <Filter kFilter>
HWY_INLINE void compute_weights(const float* HWY_RESTRICT fractions, int count, Weights& weights) {
  const Tag32 d;
  const int lanes = static_cast<int>(hn::Lanes(d));
  const LanczosPolynomials& p = lanczos_polynomials();
  for (int i = 0; i < count; i += lanes) {
    const V32 f = hn::Load(d, fractions + i);
    if constexpr (kFilter == Filter::kBilinear) {
      store_four(hn::Sub(hn::Set(d, 1.0F), f), f, hn::Zero(d), hn::Zero(d), weights.first + 4 * i);
    } else if constexpr (kFilter == Filter::kCubic) {
      cubic_weights(f, weights.first + 4 * i);
    } else {
      lanczos_weights(p, f, weights.first + 4 * i, weights.second + 4 * i);
    }
  }
}

/// Weight number `n` of a pixel whose weights begin at `first` and `second`.
HWY_INLINE float weight(const float* first, const float* second, int n) {
  return n < 4 ? first[n] : second[n - 4];
}

struct PixelWeights {
  const float* x_first;
  const float* x_second;
  const float* y_first;
  const float* y_second;
};

/// Sum of kTaps x kTaps pixels, four channels at `p`; neighbours are `step` floats apart.
template <int kTaps>
HWY_INLINE V4 sum_stepped(const float* HWY_RESTRICT p,
                          std::ptrdiff_t row_stride,
                          std::ptrdiff_t step,
                          const PixelWeights& w) {
  const Four d;
  V4 columns[kTaps];
  for (int i = 0; i < kTaps; ++i) {
    columns[i] = hn::Mul(hn::Set(d, w.y_first[0]), hn::LoadU(d, p + i * step));
  }
  for (int j = 1; j < kTaps; ++j) {
    p += row_stride;
    const V4 wy = hn::Set(d, weight(w.y_first, w.y_second, j));
    for (int i = 0; i < kTaps; ++i) {
      columns[i] = hn::MulAdd(wy, hn::LoadU(d, p + i * step), columns[i]);
    }
  }
  V4 sum = hn::Mul(hn::Set(d, w.x_first[0]), columns[0]);
  for (int i = 1; i < kTaps; ++i) {
    sum = hn::MulAdd(hn::Set(d, weight(w.x_first, w.x_second, i)), columns[i], sum);
  }
  return sum;
}

// Three or four channels with vectors that hold several pixels: the pixels of a row lie one after
// the other, so that one load takes two or four of them.
#if HWY_TARGET <= HWY_AVX2
using Eight = hn::FixedTag<float, 8>;
using V8 = hn::Vec<Eight>;

/// Weighted sum down the rows of the floats at `p`.
template <int kTaps, class D>
HWY_INLINE hn::Vec<D> sum_rows(D d,
                               const float* HWY_RESTRICT p,
                               std::ptrdiff_t row_stride,
                               const PixelWeights& w) {
  auto sum = hn::Mul(hn::Set(d, w.y_first[0]), hn::LoadU(d, p));
  for (int j = 1; j < kTaps; ++j) {
    const auto wy = hn::Set(d, weight(w.y_first, w.y_second, j));
    sum = hn::MulAdd(wy, hn::LoadU(d, p + j * row_stride), sum);
  }
  return sum;
}

/// Weights for pixels packed at kChannels: lane i is w[first + i / kChannels]. Lanes after the last
/// whole pixel get any.
template <int kChannels, class D>
HWY_INLINE hn::Vec<D> spread(D d, const float* w, int first) {
  alignas(64) std::int32_t lanes[hn::MaxLanes(d)];
  for (int i = 0; i < static_cast<int>(hn::MaxLanes(d)); ++i) {
    lanes[i] = std::min(first + i / kChannels, 3);
  }
  return hn::TableLookupLanes(hn::LoadDup128(d, w), hn::SetTableIndices(d, lanes));
}

/// Moves pixels packed at kChannels to four lanes each; with three channels the fourth lane holds
/// anything. Lanes after the last whole pixel, parts of pixels outside the kernel, go nowhere else.
template <int kChannels, class D>
HWY_INLINE hn::Vec<D> unpack(D d, hn::Vec<D> v) {
  if constexpr (kChannels == 4) {
    return v;
  } else {
    alignas(64) std::int32_t lanes[hn::MaxLanes(d)];
    for (int i = 0; i < static_cast<int>(hn::MaxLanes(d)); ++i) {
      lanes[i] = i / 4 * kChannels + i % 4;
    }
    return hn::TableLookupLanes(v, hn::SetTableIndices(d, lanes));
  }
}

HWY_INLINE V4 add_halves(V8 v) {
  const Four d;
  return hn::Add(hn::LowerHalf(d, v), hn::UpperHalf(d, v));
}

/// Sum of kTaps x kTaps pixels at `p`. May read further to the right, see read_ahead().
template <int kTaps, int kChannels>
HWY_INLINE V4 sum_packed(const float* HWY_RESTRICT p,
                         std::ptrdiff_t row_stride,
                         const PixelWeights& w) {
  const Eight d8;
#if HWY_TARGET <= HWY_AVX3
  if constexpr (kTaps >= 4) {
    const hn::FixedTag<float, 16> d16;
    const auto four = unpack<kChannels>(
        d16, hn::Mul(sum_rows<kTaps>(d16, p, row_stride, w), spread<kChannels>(d16, w.x_first, 0)));
    V8 sum = hn::Add(hn::LowerHalf(d8, four), hn::UpperHalf(d8, four));
    if constexpr (kTaps == 6) {
      const V8 two = hn::Mul(sum_rows<kTaps>(d8, p + 4 * kChannels, row_stride, w),
                             spread<kChannels>(d8, w.x_second, 0));
      sum = hn::Add(sum, unpack<kChannels>(d8, two));
    }
    return add_halves(sum);
  }
#endif
  V8 sum = hn::Mul(sum_rows<kTaps>(d8, p, row_stride, w), spread<kChannels>(d8, w.x_first, 0));
  if constexpr (kTaps >= 4) {
    sum = hn::MulAdd(sum_rows<kTaps>(d8, p + 2 * kChannels, row_stride, w),
                     spread<kChannels>(d8, w.x_first, 2),
                     sum);
  }
  if constexpr (kTaps == 6) {
    sum = hn::MulAdd(sum_rows<kTaps>(d8, p + 4 * kChannels, row_stride, w),
                     spread<kChannels>(d8, w.x_second, 0),
                     sum);
  }
  return add_halves(unpack<kChannels>(d8, sum));
}
#else
template <int kTaps, int kChannels>
HWY_INLINE V4 sum_packed(const float* HWY_RESTRICT p,
                         std::ptrdiff_t row_stride,
                         const PixelWeights& w) {
  return sum_stepped<kTaps>(p, row_stride, kChannels, w);
}
#endif

/// Sum of kTaps x kTaps pixels of one channel. Reads nothing beyond them.
template <int kTaps>
HWY_INLINE float sum_one_channel(const float* HWY_RESTRICT p,
                                 std::ptrdiff_t row_stride,
                                 const PixelWeights& w) {
  const Four d;
  if constexpr (kTaps == 2) {
    const float above = w.x_first[0] * p[0] + w.x_first[1] * p[1];
    const float below = w.x_first[0] * p[row_stride] + w.x_first[1] * p[row_stride + 1];
    return w.y_first[0] * above + w.y_first[1] * below;
  } else {
    // The second vector of six overlaps the first by two lanes, whose weights are zero.
    V4 sum = hn::Zero(d);
    V4 second_sum = hn::Zero(d);
    for (int j = 0; j < kTaps; ++j) {
      const V4 wy = hn::Set(d, weight(w.y_first, w.y_second, j));
      sum = hn::MulAdd(wy, hn::LoadU(d, p + j * row_stride), sum);
      if constexpr (kTaps == 6) {
        second_sum = hn::MulAdd(wy, hn::LoadU(d, p + j * row_stride + 2), second_sum);
      }
    }
    sum = hn::Mul(sum, hn::LoadU(d, w.x_first));
    if constexpr (kTaps == 6) {
      const V4 wx = hn::Shuffle1032(hn::LoadU(d, w.x_second));
      sum = hn::MulAdd(second_sum, wx, sum);
    }
    return hn::GetLane(hn::SumOfLanes(d, sum));
  }
}

/// Kernel that lies partly outside the stored pixels: copies what is there, four channels at a
/// time, into a square of black.
template <int kTaps>
HWY_NOINLINE void sum_at_edge(const LookupSource& source,
                              std::int32_t x0,
                              std::int32_t y0,
                              const PixelWeights& w,
                              float* HWY_RESTRICT out) {
  const ImageView<const float>& pixels = source.pixels;
  const int channels = pixels.channels;
  const int x_begin = std::max(0, x0);
  const int x_end = std::min(pixels.width, x0 + kTaps);
  const int y_begin = std::max(0, y0);
  const int y_end = std::min(pixels.height, y0 + kTaps);
  for (int c = 0; c < channels; c += 4) {
    const int group = std::min(4, channels - c);
    alignas(64) float square[kTaps * kTaps * 4] = {};
    for (int y = y_begin; y < y_end; ++y) {
      const float* from = pixels.row(y) + c;
      float* to = square + static_cast<std::ptrdiff_t>(y - y0) * kTaps * 4;
      for (int x = x_begin; x < x_end; ++x) {
        std::copy_n(from + static_cast<std::ptrdiff_t>(x) * channels, group, to + 4 * (x - x0));
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
