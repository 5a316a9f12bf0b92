// The filter that widens where the map shrinks. References: means over pixels, and the cubic
// filter.

#include "warp/resample.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <vector>

#include "tests/warp/resample_samples.h"
#include "tests/warp/support.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;

TEST_CASE(
    "area: the mean of what a pixel covers where the map shrinks, the cubic where it does not") {
  const auto scaled_map = [](double scale_x, double scale_y, ImageSize output, ImageSize source) {
    StMap map;
    map.st = Image<float>(output.width, output.height, 2);
    map.output = {{0, 0, output.width, output.height}, {0, 0, output.width, output.height}};
    map.source_display = {0, 0, source.width, source.height};
    for (int j = 0; j < output.height; ++j) {
      for (int i = 0; i < output.width; ++i) {
        const Point2d p_px(0.5 * source.width + (i + 0.5 - 0.5 * output.width) * scale_x,
                           0.5 * source.height + (j + 0.5 - 0.5 * output.height) * scale_y);
        const Point2d st = st_from_position(p_px, source, map.t_origin);
        map.st.at(i, j, 0) = static_cast<float>(st.x());
        map.st.at(i, j, 1) = static_cast<float>(st.y());
      }
    }
    return map;
  };
  // No shrinking: the cubic, to what the map's rounding leaves of a scale of 1.
  const Image<float> image = noise(64, 64, 4, 31);
  for (double scale : {1.0, 0.5}) {
    const StMap map = scaled_map(scale, scale, {40, 40}, {64, 64});
    const Result<Image<float>> area = resample(picture(image), map, {.filter = Filter::kArea});
    const Result<Image<float>> cubic = resample(picture(image), map, {.filter = Filter::kCubic});
    REQUIRE(area);
    REQUIRE(cubic);
    float worst = 0.0F;
    for (std::size_t i = 0; i < area->size(); ++i) {
      worst = std::max(worst, std::abs(area->data()[i] - cubic->data()[i]));
    }
    CHECK(worst < 1e-4F);
  }
  // A wave of 2.6 pixels, shrunk four times along x: too fine for the output, so nothing of it may
  // be left (what is left would be a false, coarse pattern); constants and ramps stay.
  for (int channels : {1, 3, 4, 6, 20}) {
    CAPTURE(channels);
    const Image<float> wave = image_of(256, 64, channels, [](double x, double y, int c) {
      return c % 2 == 0 ? std::sin(x * 6.2831853 / 2.6) : 0.3 + 0.01 * x - 0.02 * y;
    });
    const StMap map = scaled_map(4.0, 1.0, {48, 24}, {256, 64});
    const auto strength = [&](Filter filter) {
      const Result<Image<float>> out = resample(picture(wave), map, {.filter = filter});
      REQUIRE(out);
      double worst_wave = 0.0, worst_ramp = 0.0;
      for (int j = 0; j < 24; ++j) {
        for (int i = 0; i < 48; ++i) {
          const double x = 128.0 + (i + 0.5 - 24.0) * 4.0, y = 32.0 + (j + 0.5 - 12.0);
          for (int c = 0; c < channels; ++c) {
            const double value = out->at(i, j, c);
            if (c % 2 == 0) worst_wave = std::max(worst_wave, std::abs(value));
            if (c % 2 == 1)
              worst_ramp = std::max(worst_ramp, std::abs(value - (0.3 + 0.01 * x - 0.02 * y)));
          }
        }
      }
      CHECK(worst_ramp < 1e-5);
      return worst_wave;
    };
    const double area = strength(Filter::kArea), cubic = strength(Filter::kCubic);
    if (channels == 1)
      MESSAGE("a wave too fine for the output: area leaves " << area << ", cubic " << cubic);
    CHECK(area < 0.05);
    CHECK(cubic > 0.5);
  }
  // The mean of a picture survives any shrinking; so do extreme and broken maps.
  const Result<Image<float>> small = resample(picture(image),
                                              scaled_map(8.0, 8.0, {8, 8}, {64, 64}),
                                              {.filter = Filter::kArea, .edge = Edge::kMirror});
  REQUIRE(small);
  double mean = 0.0, wanted = 0.0;
  for (std::size_t i = 0; i < small->size(); ++i)
    mean += small->data()[i] / static_cast<double>(small->size());
  for (std::size_t i = 0; i < image.size(); ++i)
    wanted += image.data()[i] / static_cast<double>(image.size());
  CHECK(mean == doctest::Approx(wanted).epsilon(2e-3));
  for (double scale : {1e3, 1e9, -3.0, 0.0}) {
    const Result<Image<float>> out = resample(
        picture(image), scaled_map(scale, scale, {5, 5}, {64, 64}), {.filter = Filter::kArea});
    REQUIRE(out);
    for (std::size_t i = 0; i < out->size(); ++i) REQUIRE(std::isfinite(out->data()[i]));
  }
  StMap broken = scaled_map(2.0, 2.0, {9, 9}, {64, 64});
  broken.st.at(4, 4, 0) = kNan;
  broken.st.at(5, 4, 1) = kInf;
  const Result<Image<float>> out = resample(picture(image), broken, {.filter = Filter::kArea});
  REQUIRE(out);
  CHECK(out->at(4, 4, 0) == 0.0F);
  CHECK(out->at(5, 4, 0) == 0.0F);
  for (std::size_t i = 0; i < out->size(); ++i) REQUIRE(std::isfinite(out->data()[i]));
  // Any number of threads, and without a map.
  const lens::Lens lens = make_lens({64, 64}, 60.0, kModerate);
  const StMap lens_map = *make_redistort_map(lens);
  const Result<Image<float>> one =
      resample(picture(image), lens_map, {.filter = Filter::kArea, .threads = 1});
  const Result<Image<float>> many =
      resample(picture(image), lens_map, {.filter = Filter::kArea, .threads = 6});
  const Result<Image<float>> direct =
      warp_frame(picture(image), lens, MapDirection::kRedistort, {}, {.filter = Filter::kArea});
  CHECK(same_bits(*one, *many));
  CHECK(same_bits(*one, *direct));
}
