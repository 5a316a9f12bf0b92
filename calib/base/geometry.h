#pragma once

#include <Eigen/Core>

namespace trueplate {

/// A point or vector in a plane; the variable's name carries the frame (`p_plate_px`, `p_ideal`).
template <class T>
using Point2 = Eigen::Matrix<T, 2, 1>;
using Point2d = Point2<double>;

/// Width and height of a raster, in pixels.
struct ImageSize {
  int width = 0;
  int height = 0;

  friend bool operator==(const ImageSize&, const ImageSize&) = default;
};

/// A rectangle of pixels: columns x .. x + width - 1, rows y .. y + height - 1 (y down). The
/// coordinates are those of the file; a display window need not begin at (0, 0).
struct Window {
  int x = 0;
  int y = 0;
  int width = 0;
  int height = 0;

  [[nodiscard]] ImageSize size() const { return {width, height}; }
  [[nodiscard]] bool empty() const { return width <= 0 || height <= 0; }
  friend bool operator==(const Window&, const Window&) = default;
};

/// The two windows of a frame. `display` is what the viewer is meant to see and spans 0..1 of an
/// ST-map; `data` is where pixels exist, and may be smaller or larger. Both in file coordinates.
struct FrameWindows {
  Window display;
  Window data;

  friend bool operator==(const FrameWindows&, const FrameWindows&) = default;
};

/// The largest width or height this project accepts, in pixels. Beyond it a header is taken for
/// damaged, so that a hostile file cannot ask for terabytes.
inline constexpr int kMaxImageSide = 65536;

}  // namespace trueplate
