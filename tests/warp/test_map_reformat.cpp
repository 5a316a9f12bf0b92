// Maps between their pixels and in another format. The truth is the lens itself,
// evaluated in double (calib/lens, which has its own tests against published values).

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "calib/lens/lens.h"
#include "warp/map_field.h"
#include "warp/map_reformat.h"

using namespace trueplate;
using namespace trueplate::warp;

namespace {

lens::Lens barrel(ImageSize size = {640, 360}) {
  lens::Lens lens;
  lens.plate_size = size;
  lens.focal_px = {0.95 * size.width, 0.96 * size.width};
  lens.principal_point_px = {0.51 * size.width, 0.49 * size.height};
  lens.model = lens::RadialTangential({-0.2, 0.05, -0.005, 0.001, -0.0007});
  return lens;
}

StMap map_of(const lens::Lens& lens, MapDirection direction, const MapOptions& options = {}) {
  Result<StMap> map = direction == MapDirection::kUndistort ? make_undistort_map(lens, options)
                                                            : make_redistort_map(lens, options);
  REQUIRE_MESSAGE(map.has_value(), (map ? "" : map.error().message));
  return std::move(*map);
}

/// Largest distance of two maps of one layout, in source pixels; infinite where one has no source.
double largest_distance(const StMap& found, const StMap& truth) {
  REQUIRE(found.output == truth.output);
  REQUIRE(found.source_display == truth.source_display);
  double largest = 0.0;
  for (int y = 0; y < found.st.height(); ++y) {
    for (int x = 0; x < found.st.width(); ++x) {
      const auto position = [&](const StMap& map) {
        return position_from_st(Point2d(map.st.at(x, y, 0), map.st.at(x, y, 1)),
                                map.source_display.size(),
                                map.t_origin);
      };
      const Point2d a = position(found);
      const Point2d b = position(truth);
      if (!a.allFinite() && !b.allFinite()) continue;
      if (!a.allFinite() || !b.allFinite()) return std::numeric_limits<double>::infinity();
      largest = std::max(largest, (a - b).norm());
    }
  }
  return largest;
}

}  // namespace

TEST_CASE("a map between its pixels is the lens, but for the rounding to float") {
  const lens::Lens lens = barrel();
  for (const TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
    const MapOptions options{.overscan_px = {10, 8, 12, 6}, .t_origin = origin};
    const StMap map = map_of(lens, MapDirection::kUndistort, options);
    const MapField field(map);
    double largest = 0.0;
    double largest_slope = 0.0;
    for (double y = -7.9; y < 365.0; y += 11.37) {
      for (double x = -9.9; x < 651.0; x += 13.71) {
        const std::optional<MapSample> sample = field.at({x, y});
        const std::optional<Point2d> truth = lens::distort_px(lens, {x, y});
        REQUIRE(sample.has_value());
        REQUIRE(truth.has_value());
        largest = std::max(largest, (sample->position_px - *truth).norm());
        const double h = 1e-3;
        const Point2d slope =
            (*lens::distort_px(lens, {x + h, y}) - *lens::distort_px(lens, {x - h, y})) / (2 * h);
        largest_slope = std::max(largest_slope, (sample->slope.col(0) - slope).norm());
      }
    }
    // 2^-24 of 1 in s is 4e-5 px of 640; the cubic's weights sum to up to 1.6 times that.
    CHECK(largest < 1e-4);
    CHECK(largest_slope < 5e-4);
    CHECK_FALSE(field.at({-10.6, 5.0}).has_value());
    CHECK_FALSE(field.at({5.0, std::numeric_limits<double>::quiet_NaN()}).has_value());
  }
}

TEST_CASE("a map for another size or a crop is the map of the lens for it") {
  const lens::Lens lens = barrel();
  const StMap map = map_of(lens, MapDirection::kUndistort, {.overscan_px = {40, 24, 40, 24}});

  const Result<MadeMap> larger = reformat_map(map, {.size = ImageSize{1920, 1080}}, 2);
  REQUIRE(larger.has_value());
  CHECK(larger->warnings.empty());
  const lens::Lens scaled = lens::scaled_to(lens, {1920, 1080});
  CHECK(largest_distance(
            larger->map,
            map_of(scaled, MapDirection::kUndistort, {.overscan_px = {120, 72, 120, 72}})) <
        1.5e-3);

  // A crop moves the principal point and nothing else.
  const Result<MadeMap> crop =
      reformat_map(map, {.crop = Window{100, 40, 400, 300}, .t_origin = TOrigin::kTopLeft}, 2);
  REQUIRE(crop.has_value());
  lens::Lens cropped = lens;
  cropped.plate_size = {400, 300};
  cropped.principal_point_px -= Point2d(100.0, 40.0);
  CHECK(largest_distance(
            crop->map, map_of(cropped, MapDirection::kUndistort, {.t_origin = TOrigin::kTopLeft})) <
        2e-4);

  const Result<MadeMap> squeezed = reformat_map(map, {.size = ImageSize{640, 400}}, 1);
  REQUIRE(squeezed.has_value());
  REQUIRE(squeezed->warnings.size() == 1);
  CHECK(squeezed->warnings[0].code == "map-stretched");
  CHECK(squeezed->warnings[0].value == doctest::Approx(400.0 / 360.0));

  for (const Window& window : {Window{0, 0, 0, 10},
                               Window{-1, 0, 10, 10},
                               Window{600, 0, 41, 10},
                               Window{0, 0, 641, 10},
                               Window{2147483647, 0, 2147483647, 10}}) {
    CHECK_FALSE(reformat_map(map, {.crop = window}, 1).has_value());
  }
  CHECK_FALSE(reformat_map(map, {.size = ImageSize{0, 10}}, 1).has_value());
  CHECK_FALSE(reformat_map(map, {.size = ImageSize{2'000'000'000, 10}}, 1).has_value());
}

TEST_CASE("a map without overscan has none in any size, whatever the division leaves") {
  const StMap map = map_of(barrel({1920, 1080}), MapDirection::kRedistort);
  for (const ImageSize size : {ImageSize{1000, 1000}, {1001, 563}, {1279, 719}, {3333, 1875}}) {
    const Result<MadeMap> made = reformat_map(map, {.size = size}, 1);
    REQUIRE(made);
    CHECK(made->map.output.data == Window{0, 0, size.width, size.height});
  }
}
