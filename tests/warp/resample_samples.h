#pragma once

#include <array>
#include <cmath>
#include <cstring>
#include <limits>
#include <random>
#include <vector>

#include "calib/base/image.h"
#include "warp/detail/resample_plain.h"
#include "warp/detail/resample_row.h"
#include "warp/resample.h"

// Pictures, positions and maps for the tests of the filters.
namespace trueplate::tests {

using warp::Filter;
using warp::SourcePicture;
using warp::StMap;

inline constexpr std::array kFilters{Filter::kBilinear, Filter::kCubic, Filter::kLanczos};
inline constexpr std::array kModerate{-0.12, 0.03, -0.004, 0.001, -0.0005};
inline constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
inline constexpr float kInf = std::numeric_limits<float>::infinity();

/// A picture whose two windows are the same and begin at (0, 0).
inline SourcePicture picture(const Image<float>& image) {
  const Window window{0, 0, image.width(), image.height()};
  return {.pixels = image.view(), .windows = {window, window}};
}

/// Image of function(x, y, channel), x and y at pixel centres i + 0.5.
template <class Function>
Image<float> image_of(int width, int height, int channels, const Function& function) {
  Image<float> image(width, height, channels);
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      for (int c = 0; c < channels; ++c) {
        image.at(x, y, c) = static_cast<float>(function(x + 0.5, y + 0.5, c));
      }
    }
  }
  return image;
}

inline Image<float> noise(int width, int height, int channels, unsigned seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<float> value(-1.0F, 2.0F);
  return image_of(width, height, channels, [&](double, double, int) { return value(random); });
}

/// A map of the positions given, one row.
inline StMap map_of(const std::vector<Point2d>& positions_px, ImageSize source) {
  StMap map;
  const int count = static_cast<int>(positions_px.size());
  map.st = Image<float>(count, 1, 2);
  map.output = {{0, 0, count, 1}, {0, 0, count, 1}};
  map.source_display = {0, 0, source.width, source.height};
  for (int i = 0; i < count; ++i) {
    const Point2d st =
        warp::st_from_position(positions_px[static_cast<std::size_t>(i)], source, map.t_origin);
    map.st.at(i, 0, 0) = static_cast<float>(st.x());
    map.st.at(i, 0, 1) = static_cast<float>(st.y());
  }
  return map;
}

/// `count` positions spread evenly but irrationally over a rectangle (multiples of the plastic
/// number's powers).
inline std::vector<Point2d> spread(int count, Point2d low, Point2d high) {
  std::vector<Point2d> positions;
  for (int i = 1; i <= count; ++i) {
    const double a = std::fmod(i * 0.7548776662466927, 1.0);
    const double b = std::fmod(i * 0.5698402909980532, 1.0);
    positions.push_back(low + Point2d(a, b).cwiseProduct(high - low));
  }
  return positions;
}

inline bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

/// Values at positions, through the functions the vector kernels hang on.
inline std::vector<float> sample(const SourcePicture& source,
                                 Filter filter,
                                 const std::vector<Point2d>& positions_px) {
  std::vector<double> x, y;
  for (const Point2d& p : positions_px) {
    x.push_back(p.x());
    y.push_back(p.y());
  }
  std::vector<float> values(positions_px.size() * static_cast<std::size_t>(source.pixels.channels));
  warp::detail::resample_row(warp::detail::lookup_source(source), filter, x, y, values.data());
  return values;
}

}  // namespace trueplate::tests
