#pragma once

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <cstring>
#include <limits>
#include <utility>

#include "tests/support/pass_scene.h"
#include "tests/warp/support.h"
#include "warp/passes.h"
#include "warp/st_map.h"

// A scene whose passes are known exactly, rendered straight, and the lens that bends it.
namespace trueplate::tests {

inline constexpr ImageSize kSize{320, 240};
inline constexpr warp::EdgePixels kOverscan{40, 32, 40, 32};
// A strong barrel: the plate's corner lies 23 px from its straight place.
inline constexpr std::array kBarrel{-0.25, 0.06, 0.002, -0.003, 0.0};
inline constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
inline constexpr float kInf = std::numeric_limits<float>::infinity();

inline lens::Lens barrel() { return make_lens(kSize, 0.9 * kSize.width, kBarrel, {3.0, -2.0}); }

/// A straight picture of channels made by render(p_px, pixel), with overscan.
struct Straight {
  Image<float> pixels;
  FrameWindows windows;

  [[nodiscard]] warp::SourcePicture source() const { return {pixels.view(), windows}; }
  [[nodiscard]] Point2d position(int i, int j) const {
    return {windows.data.x + i + 0.5, windows.data.y + j + 0.5};
  }
};

template <class Render>
Straight render_straight(int channels, const Render& render) {
  const Window display{0, 0, kSize.width, kSize.height};
  Straight straight{{}, {display, warp::data_window(display, kOverscan)}};
  const Window& data = straight.windows.data;
  straight.pixels = Image<float>(data.width, data.height, channels);
  for (int j = 0; j < data.height; ++j) {
    for (int i = 0; i < data.width; ++i) {
      render(straight.position(i, j), &straight.pixels.at(i, j));
    }
  }
  return straight;
}

inline warp::StMap bending_map() {
  Result<warp::StMap> map = warp::make_redistort_map(barrel());
  REQUIRE(map);
  return std::move(*map);
}

inline Point2d straight_place(int i, int j) {
  const auto place = lens::undistort_px(barrel(), {i + 0.5, j + 0.5});
  REQUIRE(place);
  return *place;
}

/// Whether what is seen at a place goes on for three pixels in some direction of x and of y: in a
/// narrower sliver of a surface there is nothing to go on by.
inline bool is_wide(const PassScene& scene, const Point2d& place) {
  const std::uint32_t id = scene.at(place).id;
  const auto goes_on = [&](const Point2d& step) {
    for (const double far : {0.75, 1.5, 2.5, 3.5}) {
      if (scene.at(place + far * step).id != id) return false;
    }
    return true;
  };
  return (goes_on({1, 0}) || goes_on({-1, 0})) && (goes_on({0, 1}) || goes_on({0, -1}));
}

inline bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

}  // namespace trueplate::tests
