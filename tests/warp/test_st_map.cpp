#include "warp/st_map.h"

#include <doctest/doctest.h>

#include <cmath>
#include <cstring>
#include <limits>
#include <opencv2/calib3d.hpp>
#include <optional>
#include <vector>

#include "tests/warp/support.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::make_lens;

namespace {

constexpr std::array kModerate{-0.12, 0.03, -0.004, 0.001, -0.0005};

bool same_bits(const Image<float>& a, const Image<float>& b) {
  return a.width() == b.width() && a.height() == b.height() && a.channels() == b.channels() &&
         std::memcmp(a.data(), b.data(), a.size() * sizeof(float)) == 0;
}

/// Source position that pixel (i, j) of the map's image refers to.
Point2d position(const StMap& map, int i, int j) {
  return position_from_st(
      {map.st.at(i, j, 0), map.st.at(i, j, 1)}, map.source_display.size(), map.t_origin);
}

/// Map value at a position of the map's own picture (from its display window's corner), bilinear;
/// nullopt within half a pixel of the data window's edge.
std::optional<Point2d> look_up(const StMap& map, const Point2d& p_px) {
  const double u = p_px.x() + map.output.display.x - map.output.data.x - 0.5;
  const double v = p_px.y() + map.output.display.y - map.output.data.y - 0.5;
  const int i = static_cast<int>(std::floor(u));
  const int j = static_cast<int>(std::floor(v));
  if (i < 0 || j < 0 || i + 1 >= map.st.width() || j + 1 >= map.st.height()) return std::nullopt;
  const double f = u - i;
  const double g = v - j;
  return (1 - g) * ((1 - f) * position(map, i, j) + f * position(map, i + 1, j)) +
         g * ((1 - f) * position(map, i, j + 1) + f * position(map, i + 1, j + 1));
}

/// Largest distance from its start of a plate pixel sent through the redistort and then the
/// undistort map, over every third pixel.
double worst_round_trip_px(const StMap& redistort, const StMap& undistort, long& checked) {
  double worst = 0.0;
  const Window& display = redistort.output.display;
  for (int j = 0; j < display.height; j += 3) {
    for (int i = 0; i < display.width; i += 3) {
      const Point2d straight = position(redistort,
                                        i + display.x - redistort.output.data.x,
                                        j + display.y - redistort.output.data.y);
      const std::optional<Point2d> back = look_up(undistort, straight);
      if (!back) continue;
      worst = std::max(worst, (*back - Point2d(i + 0.5, j + 0.5)).norm());
      ++checked;
    }
  }
  return worst;
}

}  // namespace

TEST_CASE("an identity lens gives the identity map exactly, in both directions and origins") {
  for (const ImageSize size : {ImageSize{1920, 1080}, ImageSize{640, 481}, ImageSize{1, 1}}) {
    const lens::Lens lens = make_lens(size, 1234.5, {}, {3.3, -1.7});
    for (TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
      for (auto make : {make_undistort_map, make_redistort_map}) {
        const Result<StMap> map = make(lens, {.t_origin = origin}, {});
        REQUIRE(map);
        REQUIRE(validate(*map));
        REQUIRE(map->st.width() == size.width);
        REQUIRE(map->st.height() == size.height);
        long wrong = 0;
        for (int j = 0; j < size.height; ++j) {
          for (int i = 0; i < size.width; ++i) {
            const double t = origin == TOrigin::kTopLeft ? (j + 0.5) / size.height
                                                         : (size.height - 0.5 - j) / size.height;
            if (map->st.at(i, j, 0) != static_cast<float>((i + 0.5) / size.width)) ++wrong;
            if (map->st.at(i, j, 1) != static_cast<float>(t)) ++wrong;
          }
        }
        CHECK(wrong == 0);
      }
    }
  }
}

// OpenCV 4.6, cv::initUndistortRectifyMap: the same map in its centre convention, with P = K.
TEST_CASE("undistort map agrees with cv::initUndistortRectifyMap to 5e-4 px at 4096x2160") {
  lens::Lens lens = make_lens({4096, 2160}, 3800.0, kModerate, {31.7, -22.4});
  lens.focal_px.y() = 3790.0;
  const cv::Matx33d camera(lens.focal_px.x(),
                           0,
                           lens.principal_point_px.x() - 0.5,
                           0,
                           lens.focal_px.y(),
                           lens.principal_point_px.y() - 0.5,
                           0,
                           0,
                           1);
  const auto& [k1, k2, k3, p1, p2] = kModerate;
  cv::Mat map_x, map_y;
  cv::initUndistortRectifyMap(camera,
                              cv::Vec<double, 5>(k1, k2, p1, p2, k3),
                              cv::noArray(),
                              camera,
                              {4096, 2160},
                              CV_32FC1,
                              map_x,
                              map_y);
  const Result<StMap> map = make_undistort_map(lens);
  REQUIRE(map);
  double worst = 0.0;
  for (int j = 0; j < 2160; ++j) {
    for (int i = 0; i < 4096; ++i) {
      const Point2d p = position(*map, i, j);
      worst = std::max({worst,
                        std::abs(p.x() - 0.5 - map_x.at<float>(j, i)),
                        std::abs(p.y() - 0.5 - map_y.at<float>(j, i))});
    }
  }
  MESSAGE("largest difference " << worst << " px");
  CHECK(worst <= 5e-4);
}

TEST_CASE("map values are distort_px and undistort_px, rounded once") {
  const lens::Lens lens = make_lens({200, 120}, 150.0, kModerate, {3.25, -1.5});
  const EdgePixels edges{13, 7, 5, 21};
  for (TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
    const MapOptions options{.overscan_px = edges, .t_origin = origin};
    const Result<StMap> undistort = make_undistort_map(lens, options);
    const Result<StMap> redistort = make_redistort_map(lens, options);
    REQUIRE(undistort);
    REQUIRE(redistort);
    CHECK(undistort->direction == MapDirection::kUndistort);
    CHECK(redistort->direction == MapDirection::kRedistort);
    CHECK(undistort->output.data == Window{-13, -7, 218, 148});
    double worst = 0.0;
    for (int j = 0; j < 148; ++j) {
      for (int i = 0; i < 218; ++i) {
        const Point2d p_px(i - 13 + 0.5, j - 7 + 0.5);
        worst = std::max({worst,
                          (position(*undistort, i, j) - *lens::distort_px(lens, p_px)).norm(),
                          (position(*redistort, i, j) - *lens::undistort_px(lens, p_px)).norm()});
      }
    }
    // Values up to 1.15: half a unit in the last place is 2^-24, times 200 and 120 pixels.
    CHECK(worst < std::hypot(200.0, 120.0) * std::ldexp(1.0, -24) + 1e-7);
  }
}

// Worked example computed in double precision for a lens k1 = -0.05, f = 1800 px, 1920 x 1080: the
// straight line through (0, 540) px, seen from the centre, is imaged at y = 531.977832 px above
// x = 960 px; the image's corner at 1101.453585 px comes from 1123.328444 px.
TEST_CASE("worked example of a bent line and of the corner") {
  const lens::Lens lens = make_lens({1920, 1080}, 1800.0, {-0.05, 0, 0, 0, 0});
  const Result<StMap> map = make_redistort_map(lens, {.overscan_px = {1, 1, 1, 1}});
  REQUIRE(map);
  const auto straight = [&](double x, double y) {
    return Point2d(look_up(*map, {960.0 + x, 540.0 - y}).value() - Point2d(960.0, 540.0));
  };
  CHECK(std::abs(straight(0.0, 540.0).y() - straight(960.0, 531.977832).y()) < 1e-3);
  CHECK(std::abs(straight(960.0, 540.0).norm() - 1123.328444) < 1e-3);
}

TEST_CASE("both maps in a row lead back to within 1e-3 px inside the plate") {
  const lens::Lens lens = make_lens({1920, 1080}, 1700.0, kModerate, {12.0, -7.0});
  const Result<Overscan> keep_all = overscan(lens, {});
  REQUIRE(keep_all);
  for (TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
    for (const Window display : {Window{0, 0, 1920, 1080}, Window{-100, 37, 1920, 1080}}) {
      const Result<StMap> undistort = make_undistort_map(
          lens, {.display_window = display, .overscan_px = keep_all->edges, .t_origin = origin});
      const Result<StMap> redistort =
          make_redistort_map(lens, {.display_window = display, .t_origin = origin});
      REQUIRE(undistort);
      REQUIRE(redistort);
      long checked = 0;
      const double worst = worst_round_trip_px(*redistort, *undistort, checked);
      MESSAGE("largest distance " << worst << " px over " << checked << " pixels");
      CHECK(worst <= 1e-3);
      CHECK(checked > 640 * 360 - 2000);  // all but some at the very edge
    }
  }
}

TEST_CASE("a display window elsewhere moves nothing, a data window reveals more of the same map") {
  const lens::Lens lens = make_lens({320, 200}, 300.0, kModerate);
  const EdgePixels edges{10, 4, 6, 8};
  for (auto make : {make_undistort_map, make_redistort_map}) {
    const Result<StMap> plain = make(lens, {}, {});
    const Result<StMap> grown = make(lens, {.overscan_px = edges}, {});
    const Result<StMap> moved =
        make(lens, {.display_window = Window{1000, -50, 320, 200}, .overscan_px = edges}, {});
    REQUIRE(plain);
    REQUIRE(grown);
    REQUIRE(moved);
    CHECK(moved->output.data == Window{990, -54, 336, 212});
    CHECK(moved->source_display == Window{1000, -50, 320, 200});
    CHECK(same_bits(grown->st, moved->st));
    float worst = 0.0F;
    for (int j = 0; j < 200; ++j) {
      for (int i = 0; i < 640; ++i) {
        worst = std::max(worst,
                         std::abs(plain->st.row(j)[i] - grown->st.row(j + 4)[i + 2 * edges.left]));
      }
    }
    CHECK(worst <= 6e-8F);  // one unit in the last place below 1: the starts of rows differ
  }
}

TEST_CASE("another size scales the map: same s and t at the same place of the picture") {
  const lens::Lens lens = make_lens({400, 300}, 350.0, kModerate, {5.0, 3.0});
  const Result<StMap> small = make_undistort_map(lens);
  const Result<StMap> large = make_undistort_map(lens, {.display_window = Window{0, 0, 1200, 900}});
  REQUIRE(small);
  REQUIRE(large);
  float worst = 0.0F;
  for (int j = 0; j < 300; ++j) {
    for (int i = 0; i < 400; ++i) {
      // Centre of a small pixel = centre of the middle one of 3 x 3 large pixels.
      for (int c = 0; c < 2; ++c) {
        worst = std::max(worst,
                         std::abs(small->st.at(i, j, c) - large->st.at(3 * i + 1, 3 * j + 1, c)));
      }
    }
  }
  CHECK(worst <= 1.2e-7F);
}

TEST_CASE("any number of threads gives the same bits") {
  const lens::Lens lens = make_lens({1283, 333}, 900.0, kModerate);
  for (auto make : {make_undistort_map, make_redistort_map}) {
    const Result<StMap> one = make(lens, {.threads = 1}, {});
    REQUIRE(one);
    for (int threads : {2, 5, 0}) {
      const Result<StMap> many = make(lens, {.threads = threads}, {});
      REQUIRE(many);
      CHECK(same_bits(one->st, many->st));
    }
  }
}

TEST_CASE("where the lens folds the map says NaN in both channels, elsewhere it is finite") {
  // k1 = -0.9: the fold is at 1 / sqrt(2.7) = 0.6086 times the focal length, which the plate's
  // corners exceed; its image at 2 / 3 of that.
  const lens::Lens lens = make_lens({640, 480}, 450.0, {-0.9, 0, 0, 0, 0});
  const double fold_px = 450.0 / std::sqrt(2.7);
  const Result<StMap> undistort = make_undistort_map(lens);
  const Result<StMap> redistort = make_redistort_map(lens);
  REQUIRE(undistort);
  REQUIRE(redistort);
  long wrong = 0;
  for (int j = 0; j < 480; ++j) {
    for (int i = 0; i < 640; ++i) {
      const double radius_px = std::hypot(i + 0.5 - 320.0, j + 0.5 - 240.0);
      const auto agrees = [&](const StMap& map, double limit_px) {
        const bool none = std::isnan(map.st.at(i, j, 0)) && std::isnan(map.st.at(i, j, 1));
        const bool both = std::isfinite(map.st.at(i, j, 0)) && std::isfinite(map.st.at(i, j, 1));
        return radius_px < limit_px ? both : none;
      };
      if (!agrees(*undistort, fold_px)) ++wrong;
      if (!agrees(*redistort, fold_px * 2.0 / 3.0)) ++wrong;
    }
  }
  CHECK(wrong == 0);
}

TEST_CASE("memory of an old map is used again when it fits, and never changes the values") {
  const lens::Lens lens = make_lens({64, 48}, 60.0, kModerate);
  Result<StMap> first = make_redistort_map(lens, {.t_origin = TOrigin::kTopLeft});
  REQUIRE(first);
  const float* memory = first->st.data();
  Result<StMap> second = make_undistort_map(lens, {}, std::move(*first));
  REQUIRE(second);
  CHECK(second->st.data() == memory);
  CHECK(second->t_origin == TOrigin::kBottomLeft);
  CHECK(same_bits(second->st, make_undistort_map(lens)->st));
  const MapOptions larger{.overscan_px = {1, 0, 0, 0}};
  const Result<StMap> third = make_undistort_map(lens, larger, std::move(*second));
  REQUIRE(third);
  CHECK(same_bits(third->st, make_undistort_map(lens, larger)->st));
}

TEST_CASE("positions and map values convert back and forth") {
  const ImageSize size{1920, 1080};
  CHECK(st_from_position({0.5, 0.5}, size, TOrigin::kTopLeft).y() == 0.5 / 1080);
  CHECK(st_from_position({0.5, 0.5}, size, TOrigin::kBottomLeft).y() == 1.0 - 0.5 / 1080);
  for (TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
    const Point2d p_px(-123.25, 2000.75);
    const Point2d back = position_from_st(st_from_position(p_px, size, origin), size, origin);
    CHECK((back - p_px).norm() < 1e-9);
  }
}

TEST_CASE("impossible options and lenses are refused with the number") {
  const lens::Lens lens = make_lens({640, 480}, 500.0, {});
  const auto message = [&](const MapOptions& options) {
    const Result<StMap> map = make_undistort_map(lens, options);
    REQUIRE_FALSE(map);
    CHECK(map.error().code == ErrorCode::kInvalidInput);
    return map.error().message;
  };
  CHECK(message({.display_window = Window{0, 0, 0, 480}}).find("0x480") != std::string::npos);
  CHECK(message({.display_window = Window{0, 0, 640, -1}}).find("640x-1") != std::string::npos);
  CHECK(message({.overscan_px = {0, -1, 0, 0}}).find("0,-1,0,0") != std::string::npos);
  CHECK(message({.overscan_px = {2000000000, 0, 2000000000, 0}}).find("4000000640") !=
        std::string::npos);
  CHECK(message({.display_window = Window{-2147483647, 0, 640, 480}}).find("-2147483647") !=
        std::string::npos);
  lens::Lens broken = lens;
  broken.focal_px.x() = std::numeric_limits<double>::quiet_NaN();
  CHECK_FALSE(make_undistort_map(broken));
  CHECK_FALSE(make_redistort_map(broken));
  CHECK_FALSE(validate(StMap{}));
}
