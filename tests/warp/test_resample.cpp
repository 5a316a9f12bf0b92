// Kernels, their weights and what they do with a map. References: the formulas in double, and
// polynomials that the filters reproduce.

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

namespace {

/// Largest absolute source value under the kernel at p, channel c; 0 where there is none.
double largest_under_kernel(const SourcePicture& source, Filter filter, const Point2d& p, int c) {
  const int taps = kernel_width(filter);
  const Window& data = source.windows.data;
  const int x0 = static_cast<int>(std::floor(p.x() + source.windows.display.x - data.x - 0.5)) -
                 (taps / 2 - 1);
  const int y0 = static_cast<int>(std::floor(p.y() + source.windows.display.y - data.y - 0.5)) -
                 (taps / 2 - 1);
  double largest = 0.0;
  for (int y = std::max(0, y0); y < std::min(data.height, y0 + taps); ++y) {
    for (int x = std::max(0, x0); x < std::min(data.width, x0 + taps); ++x) {
      largest = std::max<double>(largest, std::abs(source.pixels.at(x, y, c)));
    }
  }
  return largest;
}

}  // namespace

TEST_CASE("weights agree with the formulas within the stated bound, on every instruction set") {
  std::vector<float> fractions;
  for (int i = 0; i <= 10007; ++i) fractions.push_back(static_cast<float>(i) / 10007.0F);
  fractions.push_back(1e-7F);
  fractions.push_back(1e-30F);
  fractions.push_back(std::nextafter(1.0F, 0.0F));
  std::vector<float> weights(8 * fractions.size());
  on_every_target([&](const std::string& target) {
    CAPTURE(target);
    for (Filter filter : kFilters) {
      detail::vector_weights(filter, fractions, weights.data());
      double worst = 0.0;
      double worst_sum = 0.0;
      for (std::size_t i = 0; i < fractions.size(); ++i) {
        double wanted[8] = {};
        detail::filter_weights(filter, fractions[i], wanted);
        double sum = 0.0;
        for (std::size_t n = 0; n < 8; ++n) {
          worst = std::max(worst, std::abs(weights[8 * i + n] - wanted[n]));
          sum += weights[8 * i + n];
        }
        worst_sum = std::max(worst_sum, std::abs(sum - 1.0));
      }
      MESSAGE(target << " " << to_text(filter) << ": largest error of a weight " << worst
                     << ", of their sum " << worst_sum);
      CHECK(worst <= kWeightTolerance);
      CHECK(worst_sum <= kWeightTolerance);
      // Exactly one pixel at fraction 0.
      for (std::size_t n = 0; n < 8; ++n) {
        const std::size_t center = static_cast<std::size_t>(kernel_width(filter)) / 2 - 1;
        CHECK(weights[n] == (n == center ? 1.0F : 0.0F));
      }
    }
  });
}

// Closed form: sinc is the Fourier pair of the box, values from the definition.
TEST_CASE("Lanczos weights before normalising follow sinc(x) sinc(x / 3)") {
  double w[6];
  detail::filter_weights(Filter::kLanczos, 0.5, w);
  // sinc(1/2) sinc(1/6) = (2/pi)(3/pi); sinc(3/2) sinc(1/2) = -(2/(3 pi))(2/pi);
  // sinc(5/2) sinc(5/6) = (2/(5 pi))(3/(5 pi)); all times 1/pi^2 dropped:
  const double a = 6.0, b = -4.0 / 3.0, c = 6.0 / 25.0;
  const double sum = 2.0 * (a + b + c);
  CHECK(std::abs(w[0] - c / sum) < 1e-15);
  CHECK(std::abs(w[1] - b / sum) < 1e-15);
  CHECK(std::abs(w[2] - a / sum) < 1e-15);
  CHECK(std::abs(w[3] - a / sum) < 1e-15);
  CHECK(std::abs(w[5] - c / sum) < 1e-15);
}

TEST_CASE("every kernel agrees with the plain version, for any number of channels and any edge") {
  constexpr unsigned kSeed = 20260611;
  MESSAGE("seed " << kSeed);
  on_every_target([](const std::string& target) {
    CAPTURE(target);
    double worst = 0.0;
    for (int channels : {1, 2, 3, 4, 5, 7, 8, 11}) {
      const Image<float> image = noise(23, 17, channels, kSeed);
      SourcePicture source = picture(image);
      source.windows.display = {5, -3, 20, 30};
      source.windows.data = {2, 1, 23, 17};
      std::vector<Point2d> positions = spread(1500, {-12.0, -5.0}, {32.0, 34.0});
      positions.resize(1499);  // not a multiple of anything
      for (int i = -4; i < 28; ++i) positions.emplace_back(i + 0.5, i + 0.5);
      for (Filter filter : kFilters) {
        const std::vector<float> values = sample(source, filter, positions);
        std::vector<float> wanted(static_cast<std::size_t>(channels));
        for (std::size_t i = 0; i < positions.size(); ++i) {
          detail::sample_plain(detail::lookup_source(source), positions[i], filter, wanted.data());
          for (int c = 0; c < channels; ++c) {
            const double largest = largest_under_kernel(source, filter, positions[i], c);
            const std::size_t k = static_cast<std::size_t>(c);
            const double error =
                std::abs(values[i * static_cast<std::size_t>(channels) + k] - wanted[k]);
            if (largest == 0.0) {
              REQUIRE(error == 0.0);
            } else {
              worst = std::max(worst, error / largest);
            }
          }
        }
      }
    }
    MESSAGE(target << ": largest difference " << worst << " of the largest value");
    CHECK(worst <= kResampleTolerance);
  });
}

TEST_CASE("polynomials that a filter reproduces come out at irrational positions") {
  const auto positions = spread(2000, {4.0, 4.0}, {56.0, 36.0});
  const auto worst_error = [&](Filter filter, const auto& function) {
    const Image<float> image = image_of(60, 40, 1, function);
    const std::vector<float> values = sample(picture(image), filter, positions);
    double worst = 0.0;
    for (std::size_t i = 0; i < positions.size(); ++i) {
      worst =
          std::max(worst, std::abs(values[i] - function(positions[i].x(), positions[i].y(), 0)));
    }
    return worst;
  };
  const auto constant = [](double, double, int) { return 0.7; };
  const auto linear = [](double x, double y, int) { return x + 10.0 * y; };
  const auto quadratic = [](double x, double y, int) {
    return 0.01 * (x * x - 3.0 * x * y + 2.0 * y * y) + x - y + 5.0;
  };
  // Single precision: the largest value of each is 0.7, 460 and 110.
  for (Filter filter : kFilters) CHECK(worst_error(filter, constant) < 0.7 * kResampleTolerance);
  CHECK(worst_error(Filter::kBilinear, linear) < 460.0 * kResampleTolerance);
  CHECK(worst_error(Filter::kCubic, linear) < 460.0 * kResampleTolerance);
  CHECK(worst_error(Filter::kCubic, quadratic) < 110.0 * kResampleTolerance);
  // What they do not reproduce, so that the checks above can fail: bilinear misses a parabola by
  // up to 1/8 of its second derivative.
  CHECK(worst_error(Filter::kBilinear, quadratic) > 5e-3);
  // A sinusoid of four pixels period: the longer the kernel the better.
  const auto wave = [](double x, double, int) { return std::sin(x * 1.5707963); };
  const double bilinear = worst_error(Filter::kBilinear, wave);
  const double cubic = worst_error(Filter::kCubic, wave);
  const double lanczos = worst_error(Filter::kLanczos, wave);
  MESSAGE("4 px sinusoid: bilinear " << bilinear << ", cubic " << cubic << ", lanczos " << lanczos);
  CHECK(cubic < 0.6 * bilinear);
  CHECK(lanczos < 0.6 * cubic);
}

TEST_CASE("a ramp x + 10 y shows where each pixel came from, through any windows and origin") {
  const auto ramp = [](double x, double y, int) { return x + 10.0 * y; };
  for (TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
    // Source: display window (100, -20) 64 x 48, data window larger; the ramp counts in display
    // pixels.
    const Window display{100, -20, 64, 48};
    const EdgePixels edges{6, 7, 8, 9};
    const Window data = data_window(display, edges);
    const Image<float> image = image_of(data.width, data.height, 2, [&](double x, double y, int) {
      return ramp(x - edges.left, y - edges.top, 0);
    });
    const SourcePicture source{image.view(), {display, data}};
    const lens::Lens lens = make_lens({64, 48}, 60.0, kModerate, {1.0, 2.0});
    for (MapDirection direction : {MapDirection::kUndistort, MapDirection::kRedistort}) {
      const MapOptions options{
          .display_window = display, .overscan_px = {2, 1, 3, 2}, .t_origin = origin};
      const Result<StMap> map = direction == MapDirection::kUndistort
                                    ? make_undistort_map(lens, options)
                                    : make_redistort_map(lens, options);
      REQUIRE(map);
      for (Filter filter : {Filter::kBilinear, Filter::kCubic}) {
        const Result<Image<float>> by_map = resample(source, *map, {.filter = filter});
        const Result<Image<float>> by_lens =
            warp_frame(source, lens, direction, options, {.filter = filter});
        REQUIRE(by_map);
        REQUIRE(by_lens);
        double worst_map = 0.0, worst_lens = 0.0;
        for (int j = 0; j < by_map->height(); ++j) {
          for (int i = 0; i < by_map->width(); ++i) {
            const Point2d p_px(i - 2 + 0.5, j - 1 + 0.5);
            const Point2d from = direction == MapDirection::kUndistort
                                     ? *lens::distort_px(lens, p_px)
                                     : *lens::undistort_px(lens, p_px);
            const double wanted = ramp(from.x(), from.y(), 0);
            for (int c = 0; c < 2; ++c) {
              worst_map = std::max(worst_map, std::abs(by_map->at(i, j, c) - wanted));
              worst_lens = std::max(worst_lens, std::abs(by_lens->at(i, j, c) - wanted));
            }
          }
        }
        CHECK(worst_lens < 600.0 * kResampleTolerance);
        CHECK(worst_map < 600.0 * kResampleTolerance);
      }
    }
  }
}

TEST_CASE("the identity map returns the picture; one map serves a picture of another size") {
  const lens::Lens lens = make_lens({64, 32}, 60.0, {});
  const Result<StMap> map = make_undistort_map(lens);
  REQUIRE(map);
  const Image<float> image = noise(64, 32, 3, 7);
  for (Filter filter : kFilters) {
    // 64 and 32 are powers of two, so that the map is exact.
    const Result<Image<float>> output = resample(picture(image), *map, {.filter = filter});
    REQUIRE(output);
    CHECK(same_bits(*output, image));
  }
  // Twice the size, each pixel doubled: sampled in the middle of each 2 x 2 block.
  const Image<float> doubled = image_of(128, 64, 3, [&](double x, double y, int c) {
    return image.at(static_cast<int>(x) / 2, static_cast<int>(y) / 2, c);
  });
  const Result<Image<float>> output =
      resample(picture(doubled), *map, {.filter = Filter::kBilinear});
  REQUIRE(output);
  CHECK(same_bits(*output, image));
  const Result<Image<float>> warped = warp_frame(
      picture(doubled), lens, MapDirection::kUndistort, {}, {.filter = Filter::kBilinear});
  REQUIRE(warped);
  double worst = 0.0;
  for (std::size_t i = 0; i < image.size(); ++i) {
    worst = std::max<double>(worst, std::abs(warped->data()[i] - image.data()[i]));
  }
  CHECK(worst < 1e-5);
}

TEST_CASE("pictures of one pixel, of none and of no channels") {
  const StMap map = map_of({{0.5, 0.5}, {1.0, 0.5}, {kNan, kNan}, {7.0, 7.0}}, {1, 1});
  for (Filter filter : kFilters) {
    for (int channels : {1, 2, 3, 4, 9}) {
      const Image<float> one = image_of(1, 1, channels, [](double, double, int) { return 0.75; });
      const Result<Image<float>> output = resample(picture(one), map, {.filter = filter});
      REQUIRE(output);
      for (int c = 0; c < channels; ++c) {
        CHECK(output->at(0, 0, c) == 0.75F);
        CHECK(output->at(2, 0, c) == 0.0F);
        CHECK(output->at(3, 0, c) == 0.0F);
      }
      if (filter == Filter::kBilinear) CHECK(output->at(1, 0, 0) == 0.375F);

      const Image<float> none(0, 0, channels);
      const SourcePicture empty{none.view(), {{0, 0, 1, 1}, {0, 0, 0, 0}}};
      const Result<Image<float>> black = resample(empty, map, {.filter = filter});
      REQUIRE(black);
      for (std::size_t i = 0; i < black->size(); ++i) CHECK(black->data()[i] == 0.0F);
    }
    const Image<float> no_channels(4, 4, 0);
    CHECK(resample(picture(no_channels), map, {.filter = filter})->size() == 0);
  }
}

TEST_CASE("any number of threads gives the same bits, with a map and without") {
  const lens::Lens lens = make_lens({317, 203}, 260.0, kModerate);
  const Image<float> image = noise(317, 203, 3, 5);
  const MapOptions options{.overscan_px = {9, 9, 9, 9}};
  for (MapDirection direction : {MapDirection::kUndistort, MapDirection::kRedistort}) {
    const Result<StMap> map = direction == MapDirection::kUndistort
                                  ? make_undistort_map(lens, options)
                                  : make_redistort_map(lens, options);
    REQUIRE(map);
    for (Filter filter : kFilters) {
      const Result<Image<float>> mapped =
          resample(picture(image), *map, {.filter = filter, .threads = 1});
      const Result<Image<float>> warped =
          warp_frame(picture(image), lens, direction, options, {.filter = filter, .threads = 1});
      REQUIRE(mapped);
      REQUIRE(warped);
      for (int threads : {2, 7}) {
        const ResampleOptions many{.filter = filter, .threads = threads};
        CHECK(same_bits(*mapped, *resample(picture(image), *map, many)));
        CHECK(same_bits(*warped, *warp_frame(picture(image), lens, direction, options, many)));
      }
    }
  }
}

TEST_CASE("nothing is written beside a view's own rows, whatever the channels") {
  on_every_target([](const std::string& target) {
    CAPTURE(target);
    for (int channels : {1, 2, 3, 4, 5, 7}) {
      const Image<float> image = noise(40, 30, channels, 3);
      // Inside the picture, so that no pixel is summed as one at the edge.
      for (int count : {1, 5, 128, 129, 300}) {
        const StMap map = map_of(spread(count, {8.0, 8.0}, {30.0, 20.0}), {40, 30});
        Image<float> canvas(count + 8, 1, channels);
        canvas.fill(-7.0F);
        ImageView<float> inside = canvas.view();
        inside.data += static_cast<std::ptrdiff_t>(4) * channels;
        inside.width = count;
        for (Filter filter : kFilters) {
          REQUIRE(resample(picture(image), map, {.filter = filter}, inside));
          for (int x = 0; x < count + 8; ++x) {
            const bool outside = x < 4 || x >= count + 4;
            for (int c = 0; c < channels; ++c) {
              REQUIRE((canvas.at(x, 0, c) == -7.0F) == outside);
            }
          }
        }
      }
    }
  });
}

// With the address sanitizer this shows a vector that reads beyond the last pixel.
TEST_CASE("a source without a byte to spare") {
  for (int channels : {1, 2, 3, 4, 5, 6}) {
    const std::vector<float> memory(static_cast<std::size_t>(9 * 8 * channels), 0.5F);
    const Window window{0, 0, 9, 8};
    const SourcePicture source{{memory.data(), 9, 8, channels, 9L * channels}, {window, window}};
    for (Filter filter : kFilters) {
      for (float value : sample(source, filter, spread(500, {3.0, 3.0}, {6.0, 5.0}))) {
        REQUIRE(std::abs(value - 0.5F) < 1e-6F);
      }
      (void)sample(source, filter, spread(500, {-4.0, -4.0}, {13.0, 12.0}));
    }
  }
}

TEST_CASE("beyond the fold of the lens the picture is black") {
  // The fold is at 1 / sqrt(2.7) times the focal length, 54.8 px from the centre.
  const lens::Lens lens = make_lens({128, 96}, 90.0, {-0.9, 0, 0, 0, 0});
  const Image<float> white = image_of(128, 96, 4, [](double, double, int) { return 1.0; });
  const Result<Image<float>> straight = warp_frame(picture(white), lens, MapDirection::kUndistort);
  const Result<StMap> map = make_undistort_map(lens);
  REQUIRE(straight);
  REQUIRE(map);
  const Result<Image<float>> by_map = resample(picture(white), *map);
  REQUIRE(by_map);
  for (int j = 0; j < 96; ++j) {
    for (int i = 0; i < 128; ++i) {
      const bool inside = std::hypot(i + 0.5 - 64.0, j + 0.5 - 48.0) < 90.0 / std::sqrt(2.7);
      for (int c = 0; c < 4; ++c) {
        REQUIRE(std::abs(straight->at(i, j, c) - (inside ? 1.0F : 0.0F)) < 1e-6F);
        REQUIRE(std::abs(by_map->at(i, j, c) - (inside ? 1.0F : 0.0F)) < 1e-6F);
      }
    }
  }
}

TEST_CASE("sizes that do not match are refused with both sizes") {
  const Image<float> image = noise(8, 8, 3, 1);
  const StMap map = map_of({{1.0, 1.0}}, {8, 8});
  Image<float> output(1, 1, 4);
  const Result<void> channels = resample(picture(image), map, {}, output.view());
  REQUIRE_FALSE(channels);
  CHECK(channels.error().message.find("1x1 pixels of 4") != std::string::npos);
  SourcePicture wrong = picture(image);
  wrong.windows.data.width = 9;
  const Result<Image<float>> windows = resample(wrong, map);
  REQUIRE_FALSE(windows);
  CHECK(windows.error().message.find("8x8") != std::string::npos);
  wrong = picture(image);
  wrong.windows.display = {};
  CHECK_FALSE(resample(wrong, map));
  CHECK_FALSE(resample(picture(image), StMap{}));
  const lens::Lens lens = make_lens({8, 8}, 0.0, {});
  CHECK_FALSE(warp_frame(picture(image), lens, MapDirection::kUndistort));
}

TEST_CASE("filter names") {
  for (Filter filter : {Filter::kBilinear, Filter::kCubic, Filter::kLanczos, Filter::kArea}) {
    CHECK(*parse_filter(to_text(filter)) == filter);
  }
  CHECK(kernel_width(Filter::kLanczos) == 6);
  const Result<Filter> unknown = parse_filter("box");
  REQUIRE_FALSE(unknown);
  CHECK(unknown.error().message.find("bilinear, cubic, lanczos or area") != std::string::npos);
}
