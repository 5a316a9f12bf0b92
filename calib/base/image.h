#pragma once

#include <cassert>
#include <cstddef>
#include <memory>
#include <type_traits>
#include <utility>

#include "calib/base/geometry.h"
#include "calib/base/pixel_memory.h"

namespace trueplate {

/// A look at interleaved pixels somebody else owns: channel c of pixel (x, y) is row(y)[x *
/// channels + c]. `row_stride` counts elements, not bytes. T may be const.
template <class T>
struct ImageView {
  T* data = nullptr;
  int width = 0;
  int height = 0;
  int channels = 0;
  std::ptrdiff_t row_stride = 0;

  [[nodiscard]] T* row(int y) const { return data + static_cast<std::ptrdiff_t>(y) * row_stride; }
  [[nodiscard]] T& at(int x, int y, int c = 0) const {
    assert(x >= 0 && x < width && y >= 0 && y < height && c >= 0 && c < channels);
    return row(y)[static_cast<std::ptrdiff_t>(x) * channels + c];
  }
  [[nodiscard]] ImageSize size() const { return {width, height}; }
  operator ImageView<const T>() const { return {data, width, height, channels, row_stride}; }
};

/// Interleaved pixels in one block, rows without gaps. The memory is NOT cleared by the
/// constructor; call fill(). kPadding elements past the last pixel may be read (never relied on),
/// so that a kernel can load four channels at the last pixel of a three-channel image.
/// Moves, does not copy implicitly; clone() copies.
template <class T>
class Image {
  static_assert(std::is_trivial_v<T>, "the memory is used as it comes");

 public:
  static constexpr std::size_t kPadding = 16;

  Image() = default;
  Image(int width, int height, int channels)
      : width_(width),
        height_(height),
        channels_(channels),
        pixels_(static_cast<T*>(allocate_pixel_memory((size() + kPadding) * sizeof(T)))) {
    assert(width >= 0 && height >= 0 && channels >= 0);
    for (std::size_t i = 0; i < kPadding; ++i) pixels_[size() + i] = T{};
  }

  [[nodiscard]] int width() const { return width_; }
  [[nodiscard]] int height() const { return height_; }
  [[nodiscard]] int channels() const { return channels_; }
  /// Number of elements, padding excluded.
  [[nodiscard]] std::size_t size() const {
    return static_cast<std::size_t>(width_) * static_cast<std::size_t>(height_) *
           static_cast<std::size_t>(channels_);
  }
  [[nodiscard]] bool empty() const { return size() == 0; }

  T* data() { return pixels_.get(); }
  const T* data() const { return pixels_.get(); }
  T* row(int y) { return view().row(y); }
  const T* row(int y) const { return view().row(y); }
  T& at(int x, int y, int c = 0) { return view().at(x, y, c); }
  const T& at(int x, int y, int c = 0) const { return view().at(x, y, c); }

  [[nodiscard]] ImageView<T> view() {
    return {data(), width_, height_, channels_, static_cast<std::ptrdiff_t>(width_) * channels_};
  }
  [[nodiscard]] ImageView<const T> view() const {
    return {data(), width_, height_, channels_, static_cast<std::ptrdiff_t>(width_) * channels_};
  }

  void fill(T value) {
    for (std::size_t i = 0; i < size(); ++i) pixels_[i] = value;
  }
  [[nodiscard]] Image clone() const {
    Image copy(width_, height_, channels_);
    for (std::size_t i = 0; i < size(); ++i) copy.pixels_[i] = pixels_[i];
    return copy;
  }

 private:
  int width_ = 0;
  int height_ = 0;
  int channels_ = 0;
  std::unique_ptr<T[], PixelMemoryDeleter> pixels_;
};

}  // namespace trueplate
