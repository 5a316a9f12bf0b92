// Maps turned round and compared. The truth is closed form, or the lens's own other direction.

#include "warp/map_tools.h"

#include <doctest/doctest.h>

#include <cmath>
#include <cstring>
#include <limits>
#include <string>

#include "tests/warp/support.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::make_lens;

namespace {

constexpr ImageSize kSize{320, 240};
constexpr float kNan = std::numeric_limits<float>::quiet_NaN();

lens::Lens barrel() {
  return make_lens(kSize, 300.0, {-0.2, 0.05, -0.005, 0.001, -0.0007}, {3.0, -2.0});
}

/// A map of the size of its source whose values are position(p_px).
template <class Position>
StMap map_of(const Position& position, TOrigin origin = TOrigin::kTopLeft) {
  const Window window{0, 0, kSize.width, kSize.height};
  StMap map{.st = Image<float>(kSize.width, kSize.height, 2),
            .output = {window, window},
            .source_display = window,
            .t_origin = origin};
  for (int j = 0; j < kSize.height; ++j) {
    for (int i = 0; i < kSize.width; ++i) {
      const Point2d p_st = st_from_position(position(Point2d(i + 0.5, j + 0.5)), kSize, origin);
      map.st.at(i, j, 0) = static_cast<float>(p_st.x());
      map.st.at(i, j, 1) = static_cast<float>(p_st.y());
    }
  }
  return map;
}

Point2d looked_up(const StMap& map, int i, int j) {
  return position_from_st(
      {map.st.at(i, j, 0), map.st.at(i, j, 1)}, map.source_display.size(), map.t_origin);
}

}  // namespace

TEST_CASE("a turn, a shift and a scale: the inverse matrix, from either origin") {
  const Point2d shift(-11.25, 7.5);
  constexpr double kCos = 0.9;
  constexpr double kSin = 0.2;
  const auto there = [&](const Point2d& p) {
    return Point2d(kCos * p.x() - kSin * p.y() + shift.x(),
                   kSin * p.x() + kCos * p.y() + shift.y());
  };
  const auto back = [&](const Point2d& p) {
    const Point2d q = p - shift;
    constexpr double kDeterminant = kCos * kCos + kSin * kSin;
    return Point2d((kCos * q.x() + kSin * q.y()) / kDeterminant,
                   (kCos * q.y() - kSin * q.x()) / kDeterminant);
  };
  for (const TOrigin origin : {TOrigin::kTopLeft, TOrigin::kBottomLeft}) {
    const auto inverse = inverse_map(map_of(there, origin));
    REQUIRE(inverse);
    CHECK(inverse->t_origin == origin);
    double worst_px = 0.0;
    int num_wrong = 0;
    for (int j = 0; j < kSize.height; ++j) {
      for (int i = 0; i < kSize.width; ++i) {
        const Point2d wanted = back({i + 0.5, j + 0.5});
        // Half a pixel beyond the outermost centres is the edge of the picture.
        const bool inside = (wanted.array() > 1e-3).all() && wanted.x() < kSize.width - 1e-3 &&
                            wanted.y() < kSize.height - 1e-3;
        const bool outside = (wanted.array() < -1e-3).any() || wanted.x() > kSize.width + 1e-3 ||
                             wanted.y() > kSize.height + 1e-3;
        const Point2d found = looked_up(*inverse, i, j);
        if (inside) worst_px = std::max(worst_px, (found - wanted).norm());
        num_wrong += (inside && !found.allFinite()) || (outside && found.allFinite()) ? 1 : 0;
      }
    }
    CHECK(num_wrong == 0);
    CHECK(worst_px < 1e-4);  // both maps are rounded to float
  }
}

TEST_CASE("the inverse of a lens's map is its other map, overscan included") {
  const auto needed = overscan(barrel(), {}, {});
  REQUIRE(needed);
  const auto undistort = make_undistort_map(barrel(), {.overscan_px = needed->edges});
  const auto redistort = make_redistort_map(barrel());
  REQUIRE(undistort);
  REQUIRE(redistort);

  const auto bending = inverse_map(*undistort);
  REQUIRE(bending);
  CHECK(bending->direction == MapDirection::kRedistort);
  const auto difference = difference_of(*bending, *redistort);
  REQUIRE(difference);
  CHECK(difference->num_only_one == 0);
  constexpr double kBound_px = kInverseTolerance_px * kSize.width / 1000.0;
  MESSAGE("redistort by inversion: " << difference->largest_px << " px");
  CHECK(difference->largest_px < kBound_px);
  CHECK(difference->cosine > 0.999999);

  const auto reach = source_reach(*redistort);
  REQUIRE(reach);
  const auto straightening = inverse_map(*redistort, *reach);
  REQUIRE(straightening);
  CHECK(straightening->direction == MapDirection::kUndistort);
  const auto other = difference_of(*straightening, *undistort);
  REQUIRE(other);
  MESSAGE("undistort by inversion: " << other->largest_px << " px");
  CHECK(other->largest_px < kBound_px);

  // Of opposite directions, and of the picture as it is.
  const auto opposite = difference_of(*make_undistort_map(barrel()), *redistort);
  REQUIRE(opposite);
  CHECK(opposite->cosine < -0.9);
  const auto still = difference_of(map_of([](const Point2d& p) { return p; }), *redistort);
  REQUIRE(still);
  CHECK(still->cosine == 0.0);
}

TEST_CASE("an inverse has the same bits on any number of threads") {
  const auto map = make_redistort_map(barrel());
  REQUIRE(map);
  const auto alone = inverse_map(*map, {30, 20, 30, 20}, 1);
  const auto shared = inverse_map(*map, {30, 20, 30, 20}, 5);
  REQUIRE(alone);
  REQUIRE(shared);
  CHECK(std::memcmp(alone->st.data(), shared->st.data(), alone->st.size() * sizeof(float)) == 0);
}

TEST_CASE("holes, tears and folds: no source, or the first that looks there; never a crash") {
  StMap map = map_of([](const Point2d& p) { return p; });
  map.st.at(100, 50, 0) = kNan;
  map.st.at(100, 50, 1) = kNan;
  const auto holed = inverse_map(map);
  REQUIRE(holed);
  CHECK(std::isnan(holed->st.at(100, 50, 0)));
  CHECK_FALSE(std::isnan(holed->st.at(98, 50, 0)));

  // Two halves that lie two widths apart: nothing between them.
  const auto torn = inverse_map(
      map_of([](const Point2d& p) { return Point2d(p.x() < 160 ? p.x() : p.x() + 2000.0, p.y()); }),
      {0, 0, 2000, 0});
  REQUIRE(torn);
  CHECK(std::isnan(torn->st.at(1000, 100, 0)));
  CHECK_FALSE(std::isnan(torn->st.at(2200, 100, 0)));

  const auto folded =
      inverse_map(map_of([](const Point2d& p) { return Point2d(std::abs(p.x() - 160.0), p.y()); }));
  REQUIRE(folded);
  CHECK(looked_up(*folded, 20, 10).x() == doctest::Approx(160.0 - 20.5).epsilon(1e-4));

  for (const double value : {1e30, -1e30, 1e9}) {
    const StMap wild = map_of([&](const Point2d& p) { return Point2d(value * p.x(), p.y()); });
    CHECK(inverse_map(wild));
    CHECK_FALSE(source_reach(wild));
  }
  const StMap flat = map_of([](const Point2d&) { return Point2d(5.0, 5.0); });
  CHECK(inverse_map(flat));
  StMap nowhere = map_of([](const Point2d&) { return Point2d(kNan, kNan); });
  CHECK(inverse_map(nowhere));
  CHECK_FALSE(source_reach(nowhere));
  StMap thin = map_of([](const Point2d& p) { return p; });
  thin.st = Image<float>(1, 1, 2);
  thin.st.fill(0.5F);
  thin.output = {{0, 0, 1, 1}, {0, 0, 1, 1}};
  CHECK(inverse_map(thin));
  CHECK_FALSE(inverse_map(StMap{}));
  CHECK_FALSE(inverse_map(map, {-1, 0, 0, 0}));
  CHECK_FALSE(inverse_map(map, {kMaxImageSide, 0, 0, 0}));
}

TEST_CASE("a difference of maps: worked numbers, origins, and what cannot be compared") {
  const StMap one = map_of([](const Point2d& p) { return p; }, TOrigin::kTopLeft);
  StMap other = map_of([](const Point2d& p) { return Point2d(p.x() + 3.0, p.y() - 4.0); },
                       TOrigin::kBottomLeft);
  other.st.at(7, 9, 0) = kNan;
  const auto difference = difference_of(one, other);
  REQUIRE(difference);
  CHECK(difference->rms_px == doctest::Approx(5.0).epsilon(1e-5));
  CHECK(difference->mean_px == doctest::Approx(5.0).epsilon(1e-5));
  CHECK(difference->largest_px == doctest::Approx(5.0).epsilon(1e-4));
  CHECK(difference->num_only_one == 1);
  CHECK(difference->num_compared == 320U * 240U - 1U);

  StMap far = map_of([](const Point2d& p) { return p; });
  far.output.display.x = -(1 << 30);  // its display window shows none of its pixels
  far.output.data.x = (1 << 30) - 1;
  const auto none = difference_of(one, far);
  REQUIRE_FALSE(none);
  CHECK(none.error().message.find("no pixel") != std::string::npos);
  StMap narrow = map_of([](const Point2d& p) { return p; });
  narrow.source_display.width = 100;
  CHECK_FALSE(difference_of(one, narrow));
}
