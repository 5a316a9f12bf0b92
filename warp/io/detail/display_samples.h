#pragma once

#include <atomic>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/parallel.h"
#include "calib/base/warning.h"
#include "calib/footage/frame.h"
#include "warp/io/detail/compression.h"

namespace trueplate::warp::detail {

[[nodiscard]] bool is_float(footage::SampleFormat format);
[[nodiscard]] int bits_of(footage::SampleFormat format);

/// The part of the data window that the display window shows.
struct Overlap {
  int begin_x = 0;  // in columns and rows of the display window
  int end_x = 0;
  int begin_y = 0;
  int end_y = 0;
  int offset_x = 0;  // data column = display column + offset
  int offset_y = 0;

  [[nodiscard]] bool empty() const { return begin_x >= end_x || begin_y >= end_y; }
  [[nodiscard]] double area() const {
    return empty() ? 0.0 : static_cast<double>(end_x - begin_x) * (end_y - begin_y);
  }
};

[[nodiscard]] Overlap overlap_of(const FrameWindows& windows);

/// Samples that a format cannot hold.
struct Misfits {
  std::atomic<std::int64_t> outside{0};  // below 0 or above 1
  std::atomic<std::int64_t> nan{0};
  std::atomic<std::int64_t> bare_light{0};  // pixels with colour where there is no alpha
};

/// Which channels of a frame are written, and whether they are divided by one of them.
struct Places {
  std::vector<int> channels;
  std::optional<int> alpha = std::nullopt;
};

/// A pixel whose colour has been multiplied by alpha, as it is without. Where no alpha is left
/// there is no colour.
inline void divide_by_alpha(const Places& places, const float* from, float* to, Misfits& misfits) {
  const float alpha = from[*places.alpha];
  bool has_colour = false;
  for (const int channel : places.channels) {
    const float value = from[channel];
    const bool is_colour = channel != *places.alpha;
    has_colour |= is_colour && value != 0.0F;
    *to++ = !is_colour ? value : alpha > 0.0F ? value / alpha : 0.0F;
  }
  if (has_colour && !(alpha > 0.0F)) misfits.bare_light.fetch_add(1, std::memory_order_relaxed);
}

/// The display window's pixels of the chosen channels. `convert` makes a sample from a float.
template <class T, class Convert>
std::vector<T> display_samples(const footage::Frame& frame,
                               const Places& places,
                               int threads,
                               Misfits& misfits,
                               const Convert& convert) {
  const Window& display = frame.windows.display;
  const Overlap overlap = overlap_of(frame.windows);
  const std::size_t num_places = places.channels.size();
  const std::size_t row_size = static_cast<std::size_t>(display.width) * num_places;
  std::vector<T> samples(row_size * static_cast<std::size_t>(display.height));
  if (overlap.empty()) return samples;
  const std::ptrdiff_t num_channels = frame.pixels.channels();
  parallel_rows(overlap.end_y - overlap.begin_y, threads, [&](int begin, int end) {
    std::vector<float> divided(num_places);
    for (int y = overlap.begin_y + begin; y < overlap.begin_y + end; ++y) {
      const float* from = frame.pixels.row(y + overlap.offset_y) +
                          (overlap.begin_x + overlap.offset_x) * num_channels;
      T* to = samples.data() + static_cast<std::size_t>(y) * row_size +
              static_cast<std::size_t>(overlap.begin_x) * num_places;
      for (int x = overlap.begin_x; x < overlap.end_x; ++x, from += num_channels) {
        if (places.alpha) {
          divide_by_alpha(places, from, divided.data(), misfits);
          for (const float value : divided) *to++ = convert(value);
        } else {
          for (const int place : places.channels) *to++ = convert(from[place]);
        }
      }
    }
  });
  return samples;
}

/// value * (2^bits - 1), rounded, widened to the type's width by repeating the leading bits.
template <class T>
class Quantizer {
 public:
  Quantizer(int bits, Misfits& misfits)
      : bits_(bits), largest_(static_cast<float>((1 << bits) - 1)), misfits_(misfits) {}

  T operator()(float value) const {
    if (!(value >= 0.0F && value <= 1.0F)) {
      std::atomic<std::int64_t>& count = std::isnan(value) ? misfits_.nan : misfits_.outside;
      count.fetch_add(1, std::memory_order_relaxed);
      value = value > 1.0F ? 1.0F : 0.0F;  // NaN becomes 0
    }
    const auto code = static_cast<unsigned>(value * largest_ + 0.5F);
    const int shift = static_cast<int>(sizeof(T) * 8) - bits_;
    return static_cast<T>(shift == 0 ? code : (code << shift) | (code >> (bits_ - shift)));
  }

 private:
  int bits_;
  float largest_;
  Misfits& misfits_;
};

/// What of a frame files of this kind could not hold.
std::vector<Warning> warnings_of(FileKind kind,
                                 const footage::Frame& frame,
                                 const Places& places,
                                 footage::SampleFormat format,
                                 const Misfits& misfits);

}  // namespace trueplate::warp::detail
