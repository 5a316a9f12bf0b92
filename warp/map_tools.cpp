#include "warp/map_tools.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>

#include "warp/detail/map_slopes.h"

namespace trueplate::warp {
namespace {

using detail::ScaledMap;

Result<void> check_alike(const char* what, ImageSize a, ImageSize b) {
  if (a == b) return {};
  return fail(ErrorCode::kInvalidInput,
              fmt::format("the maps are of different {}: {}x{} and {}x{}",
                          what,
                          a.width,
                          a.height,
                          b.width,
                          b.height));
}

/// Pixels of a's data window that b has too, as first and one past the last.
struct Common {
  int x_begin, x_end, y_begin, y_end;
  int b_x, b_y;  // to be added for the pixel of b
};
Common common_pixels(const FrameWindows& a, const FrameWindows& b) {
  // Wide: the windows of a file may lie two billion pixels apart.
  const auto offset = [](int a_data, int a_display, int b_data, int b_display) {
    const std::int64_t pixels =
        (std::int64_t{a_data} - a_display) - (std::int64_t{b_data} - b_display);
    return static_cast<int>(std::clamp<std::int64_t>(pixels, -kMaxImageSide, kMaxImageSide));
  };
  const int b_x = offset(a.data.x, a.display.x, b.data.x, b.display.x);
  const int b_y = offset(a.data.y, a.display.y, b.data.y, b.display.y);
  return {.x_begin = std::max(0, -b_x),
          .x_end = std::min(a.data.width, b.data.width - b_x),
          .y_begin = std::max(0, -b_y),
          .y_end = std::min(a.data.height, b.data.height - b_y),
          .b_x = b_x,
          .b_y = b_y};
}

/// How far two maps move the picture, as one vector of all their pixels each.
struct Moves {
  double a_squared = 0.0;
  double b_squared = 0.0;
  double product = 0.0;

  void add(const Point2d& a_px, const Point2d& b_px) {
    a_squared += a_px.squaredNorm();
    b_squared += b_px.squaredNorm();
    product += a_px.dot(b_px);
  }
  [[nodiscard]] double cosine(double count) const {
    const double least = kLeastMove_px * kLeastMove_px * count;
    if (!(a_squared > least && b_squared > least)) return 0.0;
    return product / (std::sqrt(a_squared) * std::sqrt(b_squared));
  }
};

Point2d source_by_output(const StMap& map) {
  return {static_cast<double>(map.source_display.width) / map.output.display.width,
          static_cast<double>(map.source_display.height) / map.output.display.height};
}

}  // namespace

Result<EdgePixels> source_reach(const StMap& map) {
  if (Result<void> checked = validate(map); !checked) return fail(checked.error());
  const ScaledMap positions = detail::scaled_map(map);
  Point2d least(0.0, 0.0);
  Point2d most(map.source_display.width, map.source_display.height);
  bool any = false;
  for (int j = 0; j < map.st.height(); ++j) {
    for (int i = 0; i < map.st.width(); ++i) {
      const Point2d p_px = positions.position(i, j);
      if (!p_px.allFinite()) continue;
      any = true;
      least = least.cwiseMin(p_px);
      most = most.cwiseMax(p_px);
    }
  }
  if (!any) return fail(ErrorCode::kInvalidInput, "no pixel of the map has a source");
  const Point2d size(map.source_display.width, map.source_display.height);
  const Point2d beyond = (-least).cwiseMax(most - size);
  if ((beyond.array() > kMaxReach * size.array()).any()) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("the map looks {:.6g} x {:.6g} px beyond its source of {}x{}; say the "
                            "overscan in pixels, L,T,R,B",
                            beyond.x(),
                            beyond.y(),
                            map.source_display.width,
                            map.source_display.height));
  }
  const auto whole = [](double pixels) { return static_cast<int>(std::ceil(pixels)); };
  return EdgePixels{.left = whole(-least.x()),
                    .top = whole(-least.y()),
                    .right = whole(most.x() - size.x()),
                    .bottom = whole(most.y() - size.y())};
}

Result<MapDifference> difference_of(const StMap& a, const StMap& b) {
  for (const StMap* map : {&a, &b}) {
    if (Result<void> checked = validate(*map); !checked) return fail(checked.error());
  }
  for (const Result<void>& alike :
       {check_alike("output sizes", a.output.display.size(), b.output.display.size()),
        check_alike("source sizes", a.source_display.size(), b.source_display.size())}) {
    if (!alike) return fail(alike.error());
  }
  const ScaledMap in_a = detail::scaled_map(a);
  const ScaledMap in_b = detail::scaled_map(b);
  const Common common = common_pixels(a.output, b.output);
  MapDifference difference;
  double sum = 0.0;
  double sum_of_squares = 0.0;
  Moves moves;
  for (int j = common.y_begin; j < common.y_end; ++j) {
    for (int i = common.x_begin; i < common.x_end; ++i) {
      const Point2d p_a = in_a.position(i, j);
      const Point2d p_b = in_b.position(i + common.b_x, j + common.b_y);
      if (!p_a.allFinite() || !p_b.allFinite()) {
        difference.num_only_one += p_a.allFinite() == p_b.allFinite() ? 0 : 1;
        continue;
      }
      const double apart = (p_a - p_b).norm();
      ++difference.num_compared;
      sum += apart;
      sum_of_squares += apart * apart;
      const Point2d still = Point2d(a.output.data.x - a.output.display.x + i + 0.5,
                                    a.output.data.y - a.output.display.y + j + 0.5)
                                .cwiseProduct(source_by_output(a));
      moves.add(p_a - still, p_b - still);
      if (apart > difference.largest_px) {
        difference.largest_px = apart;
        difference.largest_at_px = Point2d(a.output.data.x - a.output.display.x + i + 0.5,
                                           a.output.data.y - a.output.display.y + j + 0.5);
      }
    }
  }
  if (difference.num_compared == 0) {
    return fail(ErrorCode::kInvalidInput, "there is no pixel for which both maps have a source");
  }
  const auto count = static_cast<double>(difference.num_compared);
  difference.mean_px = sum / count;
  difference.rms_px = std::sqrt(sum_of_squares / count);
  difference.cosine = moves.cosine(count);
  return difference;
}

}  // namespace trueplate::warp
