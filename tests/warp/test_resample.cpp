#include "warp/resample.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <limits>
#include <random>
#include <vector>

#include "tests/warp/support.h"
#include "warp/detail/resample_plain.h"
#include "warp/detail/resample_row.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::make_lens;
using trueplate::tests::on_every_target;

namespace {

constexpr std::array kFilters{Filter::kBilinear, Filter::kCubic, Filter::kLanczos};
constexpr std::array kModerate{-0.12, 0.03, -0.004, 0.001, -0.0005};
constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
constexpr float kInf = std::numeric_limits<float>::infinity();

/// A picture whose two windows are the same and begin at (0, 0).
SourcePicture picture(const Image<float>& image) {
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

Image<float> noise(int width, int height, int channels, unsigned seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<float> value(-1.0F, 2.0F);
  return image_of(width, height, channels, [&](double, double, int) { return value(random); });
}

/// A map of the positions given, one row.
StMap map_of(const std::vector<Point2d>& positions_px, ImageSize source) {
  StMap map;
  const int count = static_cast<int>(positions_px.size());
  map.st = Image<float>(count, 1, 2);
  map.output = {{0, 0, count, 1}, {0, 0, count, 1}};
  map.source_display = {0, 0, source.width, source.height};
  for (int i = 0; i < count; ++i) {
    const Point2d st =
        st_from_position(positions_px[static_cast<std::size_t>(i)], source, map.t_origin);
    map.st.at(i, 0, 0) = static_cast<float>(st.x());
    map.st.at(i, 0, 1) = static_cast<float>(st.y());
  }
  return map;
}

/// `count` positions spread evenly but irrationally over a rectangle (multiples of the plastic
/// number's powers).
std::vector<Point2d> spread(int count, Point2d low, Point2d high) {
  std::vector<Point2d> positions;
  for (int i = 1; i <= count; ++i) {
    const double a = std::fmod(i * 0.7548776662466927, 1.0);
    const double b = std::fmod(i * 0.5698402909980532, 1.0);
    positions.push_back(low + Point2d(a, b).cwiseProduct(high - low));
  }
  return positions;
}

bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.size() == b.size() && std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

/// Values at positions, through the functions the vector kernels hang on.
std::vector<float> sample(const SourcePicture& source,
                          Filter filter,
                          const std::vector<Point2d>& positions_px) {
  std::vector<double> x, y;
  for (const Point2d& p : positions_px) {
    x.push_back(p.x());
    y.push_back(p.y());
  }
  std::vector<float> values(positions_px.size() * static_cast<std::size_t>(source.pixels.channels));
  detail::resample_row(detail::lookup_source(source), filter, x, y, values.data());
  return values;
}

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

TEST_CASE("outside the data window is black, blended as if black pixels lay there") {
  const Image<float> white = image_of(8, 8, 4, [](double, double, int) { return 1.0; });
  const SourcePicture source = picture(white);
  const std::vector<Point2d> across{{-1.0, 4.0}, {-0.5, 4.0}, {-0.25, 4.0}, {0.0, 4.0}, {0.5, 4.0}};
  const std::vector<float> bilinear = sample(source, Filter::kBilinear, across);
  CHECK(bilinear[0] == 0.0F);
  CHECK(bilinear[4] == 0.0F);
  CHECK(bilinear[8] == 0.25F);
  CHECK(bilinear[12] == 0.5F);
  CHECK(bilinear[16] == 1.0F);
  // A border of real black pixels changes nothing.
  const Image<float> framed = image_of(20, 20, 4, [](double x, double y, int) {
    return x > 6 && x < 14 && y > 6 && y < 14 ? 1.0 : 0.0;
  });
  SourcePicture large = picture(framed);
  large.windows.display = {6, 6, 8, 8};
  const auto positions = spread(800, {-4.0, -4.0}, {12.0, 12.0});
  for (Filter filter : kFilters) {
    const std::vector<float> a = sample(source, filter, positions);
    const std::vector<float> b = sample(large, filter, positions);
    float worst = 0.0F;
    for (std::size_t i = 0; i < a.size(); ++i) worst = std::max(worst, std::abs(a[i] - b[i]));
    CHECK(worst <= kResampleTolerance);
  }
}

TEST_CASE("NaN in the map gives zero; NaN and infinity in the source stay under the kernel") {
  on_every_target([](const std::string& target) {
    CAPTURE(target);
    for (int channels : {1, 3, 4, 6}) {
      for (float bad : {kNan, kInf, -kInf}) {
        Image<float> image = noise(30, 30, channels, 11);
        for (int c = 0; c < channels; ++c) image.at(15, 12, c) = bad;
        const SourcePicture source = picture(image);
        for (Filter filter : kFilters) {
          const double reach = 0.5 * kernel_width(filter);
          const auto positions = spread(3000, {5.0, 5.0}, {25.0, 25.0});
          const std::vector<float> values = sample(source, filter, positions);
          long spoiled = 0;
          for (std::size_t i = 0; i < values.size(); ++i) {
            const Point2d& p = positions[i / static_cast<std::size_t>(channels)];
            const bool under = std::abs(p.x() - 15.5) <= reach && std::abs(p.y() - 12.5) <= reach;
            if (!std::isfinite(values[i])) ++spoiled;
            if (!under) REQUIRE(std::isfinite(values[i]));
          }
          CHECK(spoiled > 0);
        }
      }
    }
    const Image<float> white = image_of(8, 8, 5, [](double, double, int) { return 1.0; });
    constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
    constexpr double kEndless = std::numeric_limits<double>::infinity();
    for (Filter filter : kFilters) {
      for (const Point2d& p : {Point2d(kNone, kNone),
                               Point2d(kNone, 4.0),
                               Point2d(4.0, kNone),
                               Point2d(kEndless, 4.0),
                               Point2d(4.0, -kEndless),
                               Point2d(1e300, 1e300),
                               Point2d(-1e10, 4.0),
                               Point2d(3e9, 4.0)}) {
        for (float value : sample(picture(white), filter, {p, p, p})) REQUIRE(value == 0.0F);
      }
    }
  });
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

TEST_CASE("edges: held or mirrored, as if the picture went on so") {
  const Image<float> image = noise(23, 17, 3, 21);
  for (Edge edge : {Edge::kHold, Edge::kMirror}) {
    CAPTURE(to_text(edge));
    // The same picture with a border of 40 pixels made by hand.
    constexpr int kBorder = 40;
    Image<float> framed(23 + 2 * kBorder, 17 + 2 * kBorder, 3);
    for (int y = 0; y < framed.height(); ++y) {
      for (int x = 0; x < framed.width(); ++x) {
        const auto place = [&](int i, int size) {
          while (i < 0 || i >= size) {
            i = edge == Edge::kHold ? (i < 0 ? 0 : size - 1) : (i < 0 ? -1 - i : 2 * size - 1 - i);
          }
          return i;
        };
        for (int c = 0; c < 3; ++c) {
          framed.at(x, y, c) = image.at(place(x - kBorder, 23), place(y - kBorder, 17), c);
        }
      }
    }
    const SourcePicture large{
        framed.view(), {{kBorder, kBorder, 23, 17}, {0, 0, framed.width(), framed.height()}}};
    const auto positions = spread(3000, {-30.0, -30.0}, {53.0, 47.0});
    const StMap map = map_of(positions, {23, 17});
    on_every_target([&](const std::string& target) {
      CAPTURE(target);
      for (Filter filter : kFilters) {
        CAPTURE(to_text(filter));
        const Result<Image<float>> a =
            resample(picture(image), map, {.filter = filter, .edge = edge});
        const Result<Image<float>> b = resample(large, map, {.filter = filter});
        REQUIRE(a);
        REQUIRE(b);
        float worst = 0.0F;
        for (std::size_t i = 0; i < a->size(); ++i) {
          worst = std::max(worst, std::abs(a->data()[i] - b->data()[i]));
        }
        // Positions far out are folded back in double; their fraction then rounds to another float.
        CHECK(worst < 2e-5F);
      }
    });
    // Far away: no crash, still the picture; nowhere: nothing.
    const std::vector<Point2d> far{
        {1e7, 5.0}, {-1e7, 5.0}, {kNan, 5.0}, {1e300, 5.0}, {5.0, -kInf}};
    const Image<float> constant = image_of(7, 5, 1, [](double, double, int) { return 0.5; });
    const Result<Image<float>> out =
        resample(picture(constant), map_of(far, {7, 5}), {.edge = edge});
    REQUIRE(out);
    CHECK(out->at(0, 0) == doctest::Approx(0.5));
    CHECK(out->at(1, 0) == doctest::Approx(0.5));
    CHECK(out->at(2, 0) == 0.0F);
    CHECK(std::isfinite(out->at(3, 0)));
    CHECK(std::isfinite(out->at(4, 0)));
    const Image<float> none(0, 0, 2);
    const SourcePicture empty{none.view(), {{0, 0, 1, 1}, {0, 0, 0, 0}}};
    const Result<Image<float>> black = resample(empty, map_of(far, {1, 1}), {.edge = edge});
    REQUIRE(black);
    for (std::size_t i = 0; i < black->size(); ++i) CHECK(black->data()[i] == 0.0F);
  }
}

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

TEST_CASE("edge names") {
  for (Edge edge : {Edge::kBlack, Edge::kHold, Edge::kMirror})
    CHECK(*parse_edge(to_text(edge)) == edge);
  CHECK(parse_edge("wrap").error().message.find("black, hold or mirror") != std::string::npos);
}
