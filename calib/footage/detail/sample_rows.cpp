#include "calib/footage/detail/sample_rows.h"

#include <Imath/half.h>

#include <algorithm>
#include <bit>

#include "calib/base/detail/instruction_sets.h"

// Compiled once per instruction set by foreach_target.h.
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "calib/footage/detail/sample_rows.cpp"
#include <hwy/foreach_target.h>  // IWYU pragma: keep
#include <hwy/highway.h>

#ifndef TRUEPLATE_SAMPLE_ROWS_ONCE
#define TRUEPLATE_SAMPLE_ROWS_ONCE
namespace trueplate::footage::detail {

/// From here on a half would round to infinity.
constexpr float kOverflow = 65520.0F;
constexpr std::int32_t kInfinity = 0x7F800000;
constexpr std::uint16_t kLargestHalf = 0x7BFF;

inline std::uint32_t bits_of_half(std::uint16_t sample) {
  half value;
  value.setBits(sample);
  return std::bit_cast<std::uint32_t>(static_cast<float>(value));
}

inline std::uint16_t half_of_bits(std::uint32_t bits, std::int64_t& clipped) {
  const auto size = static_cast<std::int32_t>(bits & 0x7FFFFFFFU);
  if (size >= std::bit_cast<std::int32_t>(kOverflow) && size < kInfinity) {
    ++clipped;
    return static_cast<std::uint16_t>((bits >> 16 & 0x8000U) | kLargestHalf);
  }
  return half(std::bit_cast<float>(bits)).bits();
}

}  // namespace trueplate::footage::detail
#endif

HWY_BEFORE_NAMESPACE();
namespace trueplate::footage::detail::HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

using Bits = hn::ScalableTag<std::int32_t>;
using Floats = hn::ScalableTag<float>;
using Halves = hn::Rebind<std::uint16_t, Bits>;
using V = hn::Vec<Bits>;

// Integer arithmetic rather than the processor's own conversions: those that lack them would be
// served by replacements that round otherwise and lose the smallest halves.

HWY_INLINE V bits_of_halves(V sample) {
  const Bits d;
  const Floats df;
  constexpr std::int32_t kExponent = 0x7C00 << 13;
  constexpr std::int32_t kSmallestNormal = 113 << 23;  // 2^-14
  const V bits = hn::ShiftLeft<13>(hn::And(sample, hn::Set(d, 0x7FFF)));
  const V exponent = hn::And(bits, hn::Set(d, kExponent));
  const V normal = hn::Add(bits, hn::Set(d, (127 - 15) << 23));
  const V endless = hn::Add(normal, hn::Set(d, (128 - 16) << 23));
  // A subnormal half is a multiple of 2^-24: the same multiple on top of 2^-14, less that.
  const V raised = hn::Add(normal, hn::Set(d, 1 << 23));
  const auto base = hn::BitCast(df, hn::Set(d, kSmallestNormal));
  const V subnormal = hn::BitCast(d, hn::Sub(hn::BitCast(df, raised), base));
  V result = hn::IfThenElse(hn::Eq(exponent, hn::Set(d, kExponent)), endless, normal);
  result = hn::IfThenElse(hn::Eq(exponent, hn::Zero(d)), subnormal, result);
  return hn::Or(result, hn::ShiftLeft<16>(hn::And(sample, hn::Set(d, 0x8000))));
}

HWY_INLINE V halves_of_bits(V bits, std::int64_t& clipped) {
  const Bits d;
  const Floats df;
  const V size = hn::And(bits, hn::Set(d, 0x7FFFFFFF));
  const V sign = hn::And(hn::ShiftRight<16>(bits), hn::Set(d, 0x8000));
  // Adding just below half of the last bit kept, or half of it beside an odd one, and cutting off
  // is rounding to even; the carry may run into the exponent.
  const V odd = hn::And(hn::ShiftRight<13>(size), hn::Set(d, 1));
  const V rounded = hn::Add(hn::Add(size, hn::Set(d, 0xFFF - ((127 - 15) << 23))), odd);
  const V normal = hn::ShiftRight<13>(rounded);
  // On top of 0.5 the last bit of a float is worth the smallest half: the processor rounds.
  const V half_bits = hn::Set(d, 126 << 23);
  const auto raised = hn::Add(hn::BitCast(df, size), hn::BitCast(df, half_bits));
  const V subnormal = hn::Sub(hn::BitCast(d, raised), half_bits);
  V result = hn::IfThenElse(hn::Lt(size, hn::Set(d, 113 << 23)), subnormal, normal);
  const V infinity = hn::Set(d, kInfinity);
  const auto large = hn::Gt(size, hn::Set(d, std::bit_cast<std::int32_t>(kOverflow) - 1));
  if (HWY_UNLIKELY(!hn::AllFalse(d, large))) {
    const auto finite = hn::And(large, hn::Lt(size, infinity));
    clipped += static_cast<std::int64_t>(hn::CountTrue(d, finite));
    const V payload = hn::ShiftRight<13>(hn::And(size, hn::Set(d, 0x7FFFFF)));
    const auto is_nan = hn::Gt(size, infinity);
    const auto lost = hn::And(is_nan, hn::Eq(payload, hn::Zero(d)));
    const V kept = hn::Or(payload, hn::IfThenElseZero(lost, hn::Set(d, 1)));
    const V endless = hn::Or(kept, hn::Set(d, 0x7C00));
    result = hn::IfThenElse(large, endless, result);
    result = hn::IfThenElse(finite, hn::Set(d, kLargestHalf), result);
  }
  return hn::Or(result, sign);
}

template <bool kIsHalf>
HWY_INLINE V load(const void* plane, std::size_t x) {
  if constexpr (kIsHalf) {
    const auto* from = static_cast<const std::uint16_t*>(plane) + x;
    return bits_of_halves(hn::PromoteTo(Bits(), hn::LoadU(Halves(), from)));
  } else {
    return hn::LoadU(Bits(), static_cast<const std::int32_t*>(plane) + x);
  }
}

template <bool kIsHalf>
HWY_INLINE void store(V bits, void* plane, std::size_t x, std::int64_t& clipped) {
  if constexpr (kIsHalf) {
    auto* to = static_cast<std::uint16_t*>(plane) + x;
    hn::StoreU(hn::DemoteTo(Halves(), halves_of_bits(bits, clipped)), Halves(), to);
  } else {
    hn::StoreU(bits, Bits(), static_cast<std::int32_t*>(plane) + x);
  }
}

/// Whole vectors of three or four channels of one kind; returns how many pixels that were.
template <bool kIsHalf>
std::size_t merge_vectors(std::span<const PlaneRow> planes, std::size_t count, std::int32_t* to) {
  const Bits d;
  const std::size_t lanes = hn::Lanes(d);
  const std::size_t num = planes.size();
  std::size_t x = 0;
  for (; x + lanes <= count; x += lanes) {
    const V a = load<kIsHalf>(planes[0].samples, x);
    const V b = load<kIsHalf>(planes[1].samples, x);
    const V c = load<kIsHalf>(planes[2].samples, x);
    if (num == 3) {
      hn::StoreInterleaved3(a, b, c, d, to + 3 * x);
    } else {
      hn::StoreInterleaved4(a, b, c, load<kIsHalf>(planes[3].samples, x), d, to + 4 * x);
    }
  }
  return x;
}

template <bool kIsHalf>
std::size_t split_vectors(const std::int32_t* from,
                          std::size_t count,
                          std::span<const PlaneRow> planes,
                          std::int64_t& clipped) {
  const Bits d;
  const std::size_t lanes = hn::Lanes(d);
  const std::size_t num = planes.size();
  std::size_t x = 0;
  for (; x + lanes <= count; x += lanes) {
    V a, b, c;
    if (num == 3) {
      hn::LoadInterleaved3(d, from + 3 * x, a, b, c);
    } else {
      V e;
      hn::LoadInterleaved4(d, from + 4 * x, a, b, c, e);
      store<kIsHalf>(e, planes[3].samples, x, clipped);
    }
    store<kIsHalf>(a, planes[0].samples, x, clipped);
    store<kIsHalf>(b, planes[1].samples, x, clipped);
    store<kIsHalf>(c, planes[2].samples, x, clipped);
  }
  return x;
}

/// Pixels at a time of one channel, so that the others' stay in the first-level cache.
constexpr std::size_t kBlock = 128;

/// One channel among `num` of a block of pixels.
template <bool kIsHalf>
void merge_one(
    const void* plane, std::size_t begin, std::size_t end, std::size_t num, std::int32_t* to) {
  const std::size_t lanes = hn::Lanes(Bits());
  std::size_t x = begin;
  HWY_ALIGN std::int32_t values[hn::MaxLanes(Bits())];
  for (; x + lanes <= end; x += lanes) {
    hn::Store(load<kIsHalf>(plane, x), Bits(), values);
    for (std::size_t i = 0; i < lanes; ++i) to[(x + i) * num] = values[i];
  }
  for (; x < end; ++x) {
    if constexpr (kIsHalf) {
      to[x * num] =
          static_cast<std::int32_t>(bits_of_half(static_cast<const std::uint16_t*>(plane)[x]));
    } else {
      to[x * num] = static_cast<const std::int32_t*>(plane)[x];
    }
  }
}

template <bool kIsHalf>
void split_one(const std::int32_t* from,
               std::size_t begin,
               std::size_t end,
               std::size_t num,
               void* plane,
               std::int64_t& clipped) {
  const std::size_t lanes = hn::Lanes(Bits());
  std::size_t x = begin;
  HWY_ALIGN std::int32_t values[hn::MaxLanes(Bits())];
  for (; x + lanes <= end; x += lanes) {
    for (std::size_t i = 0; i < lanes; ++i) values[i] = from[(x + i) * num];
    store<kIsHalf>(hn::Load(Bits(), values), plane, x, clipped);
  }
  for (; x < end; ++x) {
    if constexpr (kIsHalf) {
      static_cast<std::uint16_t*>(plane)[x] =
          half_of_bits(static_cast<std::uint32_t>(from[x * num]), clipped);
    } else {
      static_cast<std::int32_t*>(plane)[x] = from[x * num];
    }
  }
}

/// Whether merge_vectors() and split_vectors() are for these channels.
bool are_vectors(std::span<const PlaneRow> planes) {
  return (planes.size() == 3 || planes.size() == 4) &&
         std::all_of(planes.begin(), planes.end(), [&](const PlaneRow& plane) {
           return plane.is_half == planes.front().is_half;
         });
}

void merge(std::span<const PlaneRow> planes, std::size_t count, float* pixels) {
  auto* to = reinterpret_cast<std::int32_t*>(pixels);
  std::size_t done = 0;
  if (are_vectors(planes)) {
    done = planes.front().is_half ? merge_vectors<true>(planes, count, to)
                                  : merge_vectors<false>(planes, count, to);
  }
  for (std::size_t begin = done; begin < count; begin += kBlock) {
    const std::size_t end = std::min(count, begin + kBlock);
    for (std::size_t c = 0; c < planes.size(); ++c) {
      const auto merge_channel = planes[c].is_half ? merge_one<true> : merge_one<false>;
      merge_channel(planes[c].samples, begin, end, planes.size(), to + c);
    }
  }
}

std::int64_t split(const float* pixels, std::size_t count, std::span<const PlaneRow> planes) {
  const auto* from = reinterpret_cast<const std::int32_t*>(pixels);
  std::int64_t clipped = 0;
  std::size_t done = 0;
  if (are_vectors(planes)) {
    done = planes.front().is_half ? split_vectors<true>(from, count, planes, clipped)
                                  : split_vectors<false>(from, count, planes, clipped);
  }
  for (std::size_t begin = done; begin < count; begin += kBlock) {
    const std::size_t end = std::min(count, begin + kBlock);
    for (std::size_t c = 0; c < planes.size(); ++c) {
      const auto split_channel = planes[c].is_half ? split_one<true> : split_one<false>;
      split_channel(from + c, begin, end, planes.size(), planes[c].samples, clipped);
    }
  }
  return clipped;
}

}  // namespace trueplate::footage::detail::HWY_NAMESPACE
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
namespace trueplate::footage::detail {

HWY_EXPORT(merge);
HWY_EXPORT(split);

void merge_planes(std::span<const PlaneRow> planes, std::size_t count, float* pixels) {
  HWY_DYNAMIC_DISPATCH(merge)(planes, count, pixels);
}

std::int64_t split_planes(const float* pixels,
                          std::size_t count,
                          std::span<const PlaneRow> planes) {
  return HWY_DYNAMIC_DISPATCH(split)(pixels, count, planes);
}

}  // namespace trueplate::footage::detail
#endif  // HWY_ONCE
