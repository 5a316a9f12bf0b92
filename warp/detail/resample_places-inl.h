// Positions of output pixels become first pixels and fractions, fractions become weights.
// Included once per instruction set by resample_row.cpp, hence no ordinary guard.
#if defined(TRUEPLATE_RESAMPLE_PLACES_INL_H) == defined(HWY_TARGET_TOGGLE)
#ifdef TRUEPLATE_RESAMPLE_PLACES_INL_H
#undef TRUEPLATE_RESAMPLE_PLACES_INL_H
#else
#define TRUEPLATE_RESAMPLE_PLACES_INL_H
#endif

#include <hwy/highway.h>

#include "warp/detail/resample_block.h"
#include "warp/detail/resample_row.h"

HWY_BEFORE_NAMESPACE();
namespace trueplate::warp::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET != HWY_SCALAR

using Tag64 = hn::ScalableTag<double>;
using V64 = hn::Vec<Tag64>;
using Half32 = hn::Rebind<float, Tag64>;
using HalfInt = hn::Rebind<std::int32_t, Tag64>;
using Tag32 = hn::ScalableTag<float>;
using V32 = hn::Vec<Tag32>;

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

/// continued() for a vector of distances.
HWY_INLINE V64 continued(V64 u, Edge edge, int taps, int size) {
  const Tag64 d;
  if (edge == Edge::kHold) {
    const V64 first = hn::Set(d, -0.5 * taps);
    const V64 last = hn::Set(d, size - 2 + 0.5 * taps);
    u = hn::IfThenElse(hn::Lt(u, first), first, u);
    return hn::IfThenElse(hn::Gt(u, last), last, u);
  }
  const V64 half = hn::Set(d, 0.5);
  const V64 period = hn::Set(d, 2.0 * size);
  const V64 turns = hn::Floor(hn::Mul(hn::Add(u, half), hn::Set(d, 1.0 / (2.0 * size))));
  const V64 place = hn::NegMulAdd(period, turns, hn::Add(u, half));
  const auto turned = hn::Gt(place, hn::Set(d, size));
  return hn::Sub(hn::IfThenElse(turned, hn::Sub(period, place), place), half);
}

/// Distances u from the first stored pixel's centre, along x and along y, to places.
HWY_INLINE void locate(const LookupSource& source, int taps, V64 u, V64 v, int i, Places& places) {
  const ImageView<const float>& pixels = source.pixels;
  if (HWY_UNLIKELY(source.edge != Edge::kBlack)) {
    u = continued(u, source.edge, taps, pixels.width);
    v = continued(v, source.edge, taps, pixels.height);
  }
  split(u, taps, pixels.width, places.x + i, places.fraction_x + i);
  split(v, taps, pixels.height, places.y + i, places.fraction_y + i);
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
  locate(source, taps, u, v, i, places);
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
  locate(source, taps, u, v, i, places);
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

#endif  // HWY_TARGET != HWY_SCALAR

}  // namespace trueplate::warp::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#endif
