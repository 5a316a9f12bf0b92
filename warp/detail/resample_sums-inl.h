// Weighted sums of the pixels under one kernel that lies inside the stored pixels.
// Included once per instruction set by resample_row.cpp, hence no ordinary guard.
#if defined(TRUEPLATE_RESAMPLE_SUMS_INL_H) == defined(HWY_TARGET_TOGGLE)
#ifdef TRUEPLATE_RESAMPLE_SUMS_INL_H
#undef TRUEPLATE_RESAMPLE_SUMS_INL_H
#else
#define TRUEPLATE_RESAMPLE_SUMS_INL_H
#endif

#include <algorithm>

#include <hwy/highway.h>

#include "warp/detail/resample_block.h"
#include "warp/detail/resample_row.h"

HWY_BEFORE_NAMESPACE();
namespace trueplate::warp::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET != HWY_SCALAR

using Four = hn::FixedTag<float, 4>;
using V4 = hn::Vec<Four>;

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

#endif  // HWY_TARGET != HWY_SCALAR

}  // namespace trueplate::warp::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#endif
