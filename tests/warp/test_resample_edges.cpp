// What lies beyond the edge of a picture, and what NaN and infinity in it reach. The references are
// pictures that go on by hand.

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

TEST_CASE("edge names") {
  for (Edge edge : {Edge::kBlack, Edge::kHold, Edge::kMirror})
    CHECK(*parse_edge(to_text(edge)) == edge);
  CHECK(parse_edge("wrap").error().message.find("black, hold or mirror") != std::string::npos);
}
