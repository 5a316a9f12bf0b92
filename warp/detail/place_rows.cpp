#include "warp/detail/place_rows.h"

#include <algorithm>
#include <cmath>

#include "calib/base/detail/instruction_sets.h"

// Compiled once per instruction set by foreach_target.h.
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "warp/detail/place_rows.cpp"
#include <hwy/foreach_target.h>  // IWYU pragma: keep
#include <hwy/highway.h>

#ifndef TRUEPLATE_PLACE_ROWS_ONCE
#define TRUEPLATE_PLACE_ROWS_ONCE
namespace trueplate::warp::detail {
/// Beyond it, and for NaN, there is no pixel, held and mirrored ones included.
constexpr double kFarthest = 1e9;
}  // namespace trueplate::warp::detail
#endif

HWY_BEFORE_NAMESPACE();
namespace trueplate::warp::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET != HWY_SCALAR

using Tag64 = hn::ScalableTag<double>;
using V64 = hn::Vec<Tag64>;
using HalfInt = hn::Rebind<std::int32_t, Tag64>;
using Half32 = hn::Rebind<float, Tag64>;

/// nearest_index() of a vector of distances.
HWY_INLINE void store_nearest(V64 u, Edge edge, int size, std::int32_t* to) {
  const Tag64 d;
  const V64 cut = hn::Floor(hn::Add(u, hn::Set(d, 0.5)));
  const V64 zero = hn::Zero(d);
  const V64 last = hn::Set(d, size - 1);
  // Comparisons with NaN are false.
  auto stored = hn::Lt(hn::Abs(u), hn::Set(d, kFarthest));
  V64 index = cut;
  if (edge == Edge::kBlack) {
    stored = hn::And(stored, hn::And(hn::Ge(cut, zero), hn::Le(cut, last)));
  } else if (edge == Edge::kHold) {
    index = hn::Min(hn::Max(cut, zero), last);
  } else {
    const V64 period = hn::Set(d, 2.0 * size);
    const V64 place = hn::Sub(cut, hn::Mul(period, hn::Floor(hn::Div(cut, period))));
    const V64 turned = hn::Sub(hn::Sub(period, hn::Set(d, 1.0)), place);
    index = hn::IfThenElse(hn::Le(place, last), place, turned);
  }
  index = hn::IfThenElse(stored, index, hn::Set(d, -1.0));
  hn::StoreU(hn::DemoteTo(HalfInt(), index), HalfInt(), to);
}

HWY_INLINE void locate(const LookupSource& source,
                       const StScale& scale,
                       const float* st,
                       int i,
                       NearestPlaces& places) {
  const Tag64 d;
  hn::Vec<Half32> s, t;
  hn::LoadInterleaved2(Half32(), st, s, t);
  // Not fused: a fused product rounds otherwise than processors without one.
  const V64 x = hn::Mul(hn::PromoteTo(d, s), hn::Set(d, scale.s_scale));
  const V64 y =
      hn::Add(hn::Mul(hn::PromoteTo(d, t), hn::Set(d, scale.t_scale)), hn::Set(d, scale.t_offset));
  const V64 u = hn::Add(x, hn::Set(d, source.offset_x));
  const V64 v = hn::Add(y, hn::Set(d, source.offset_y));
  hn::StoreU(u, d, places.u + i);
  hn::StoreU(v, d, places.v + i);
  store_nearest(u, source.edge, source.pixels.width, places.x + i);
  store_nearest(v, source.edge, source.pixels.height, places.y + i);
}

void find(const LookupSource& source,
          const StScale& scale,
          const float* st,
          int count,
          NearestPlaces& places) {
  const int lanes = static_cast<int>(hn::Lanes(Tag64()));
  int i = 0;
  for (; i + lanes <= count; i += lanes) locate(source, scale, st + 2 * i, i, places);
  if (i == count) return;
  float last[2 * hn::MaxLanes(Tag64())] = {};
  std::copy_n(st + 2 * i, 2 * (count - i), last);
  locate(source, scale, last, i, places);
}

#else

void find(const LookupSource& source,
          const StScale& scale,
          const float* st,
          int count,
          NearestPlaces& places) {
  for (int i = 0; i < count; ++i) {
    places.u[i] = st[2 * i] * scale.s_scale + source.offset_x;
    places.v[i] = st[2 * i + 1] * scale.t_scale + scale.t_offset + source.offset_y;
    places.x[i] = nearest_index(source.edge, places.u[i], source.pixels.width);
    places.y[i] = nearest_index(source.edge, places.v[i], source.pixels.height);
  }
}

#endif

}  // namespace trueplate::warp::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace trueplate::warp::detail {

HWY_EXPORT(find);

void find_nearest(const LookupSource& source,
                  const StScale& scale,
                  std::span<const float> st,
                  NearestPlaces& places) {
  HWY_DYNAMIC_DISPATCH(find)(source, scale, st.data(), static_cast<int>(st.size() / 2), places);
}

int nearest_index(Edge edge, double u, int size) {
  if (!(std::abs(u) < kFarthest)) return -1;
  return stored_index(edge, static_cast<int>(std::floor(u + 0.5)), size);
}

}  // namespace trueplate::warp::detail
#endif  // HWY_ONCE
