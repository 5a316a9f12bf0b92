#include "warp/detail/alpha_rows.h"

#include "calib/base/detail/instruction_sets.h"

// Compiled once per instruction set by foreach_target.h.
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "warp/detail/alpha_rows.cpp"
#include <hwy/foreach_target.h>  // IWYU pragma: keep
#include <hwy/highway.h>

#ifndef TRUEPLATE_ALPHA_ROWS_ONCE
#define TRUEPLATE_ALPHA_ROWS_ONCE
namespace trueplate::warp::detail {

/// The alpha at every `channels`th float from `value` on.
inline bool take_back_one_by_one(float* value, int count, int channels) {
  bool beyond = false;
  for (int x = 0; x < count; ++x, value += channels) {
    const bool is_far = *value < -kAlphaRounding || *value > 1.0F + kAlphaRounding;
    const float held = *value < 0.0F ? 0.0F : *value > 1.0F ? 1.0F : *value;  // NaN stays
    *value = is_far ? *value : held;
    beyond |= is_far;
  }
  return beyond;
}

}  // namespace trueplate::warp::detail
#endif

HWY_BEFORE_NAMESPACE();
namespace trueplate::warp::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

#if HWY_TARGET != HWY_SCALAR

/// Rows of four channels, whole pixels to a vector.
bool take_back_of_four(float* row, int width, int alpha) {
  const hn::ScalableTag<float> d;
  const hn::RebindToSigned<decltype(d)> di;
  const int lanes = static_cast<int>(hn::Lanes(d));
  const auto zero = hn::Zero(d);
  const auto one = hn::Set(d, 1.0F);
  const auto lowest = hn::Set(d, -kAlphaRounding);
  const auto highest = hn::Set(d, 1.0F + kAlphaRounding);
  const auto number = hn::And(hn::Iota(di, 0), hn::Set(di, 3));  // of the channel in each lane
  const auto is_alpha = hn::RebindMask(d, hn::Eq(number, hn::Set(di, alpha)));
  auto beyond = hn::And(is_alpha, hn::Lt(one, zero));  // nowhere
  const int count = 4 * width;
  int i = 0;
  for (; i + lanes <= count; i += lanes) {
    const auto value = hn::LoadU(d, row + i);
    const auto is_far = hn::And(is_alpha, hn::Or(hn::Lt(value, lowest), hn::Gt(value, highest)));
    const auto held =
        hn::IfThenElse(hn::Lt(value, zero), zero, hn::IfThenElse(hn::Gt(value, one), one, value));
    const auto is_held = hn::AndNot(is_far, is_alpha);
    hn::StoreU(hn::IfThenElse(is_held, held, value), d, row + i);
    beyond = hn::Or(beyond, is_far);
  }
  const bool rest_beyond = take_back_one_by_one(row + i + alpha, (count - i) / 4, 4);
  return !hn::AllFalse(d, beyond) || rest_beyond;
}

#else

bool take_back_of_four(float* row, int width, int alpha) {
  return take_back_one_by_one(row + alpha, width, 4);
}

#endif

}  // namespace trueplate::warp::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace trueplate::warp::detail {

HWY_EXPORT(take_back_of_four);

bool take_back_alpha_rounding(float* row, int width, int channels, int alpha) {
  if (channels == 4) return HWY_DYNAMIC_DISPATCH(take_back_of_four)(row, width, alpha);
  return take_back_one_by_one(row + alpha, width, channels);
}

}  // namespace trueplate::warp::detail
#endif  // HWY_ONCE
