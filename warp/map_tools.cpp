#include "warp/map_tools.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <optional>

#include "warp/detail/map_slopes.h"

namespace trueplate::warp {
namespace {

using detail::ScaledMap;

constexpr float kNone = std::numeric_limits<float>::quiet_NaN();

ScaledMap scaled(const StMap& map) {
  return {map, detail::st_scale(map.source_display.size(), map.t_origin)};
}

/// Where the four pixels around a cell of the map look; rows below each other.
struct Cell {
  Point2d a, b, c, d;  // top-left, top-right, bottom-left, bottom-right

  [[nodiscard]] Point2d at(double x, double y) const {
    return (1.0 - y) * ((1.0 - x) * a + x * b) + y * ((1.0 - x) * c + x * d);
  }

  /// The place within the cell, 0..1, that looks at `p_px`, or near it outside; nullopt: none.
  [[nodiscard]] std::optional<Point2d> place_of(const Point2d& p_px) const {
    constexpr int kMostSteps = 12;
    constexpr double kSettled = 1e-12;
    constexpr double kFar = 2.0;  // cells from here another one is in charge
    Point2d place(0.5, 0.5);
    for (int step = 0; step < kMostSteps; ++step) {
      const Point2d missing = p_px - at(place.x(), place.y());
      const Point2d by_x = (1.0 - place.y()) * (b - a) + place.y() * (d - c);
      const Point2d by_y = (1.0 - place.x()) * (c - a) + place.x() * (d - b);
      const double determinant = by_x.x() * by_y.y() - by_x.y() * by_y.x();
      if (!(std::abs(determinant) > 1e-12)) return std::nullopt;
      const Point2d change((missing.x() * by_y.y() - missing.y() * by_y.x()) / determinant,
                           (by_x.x() * missing.y() - by_x.y() * missing.x()) / determinant);
      place += change;
      if (!(place.cwiseAbs().maxCoeff() < kFar)) return std::nullopt;
      if (change.squaredNorm() < kSettled * kSettled) return place;
    }
    return place;
  }
};

/// The range of places within a cell it is in charge of, along one axis: half a pixel more at the
/// edge of the map.
struct Reach {
  double first = 0.0;
  double last = 1.0;
};
Reach reach_of(int cell, int num_cells) {
  return {cell == 0 ? -0.5 : 0.0, cell == num_cells - 1 ? 1.5 : 1.0};
}

/// A map being turned round.
class Inverter {
 public:
  Inverter(const StMap& map, StMap& inverse)
      : map_(scaled(map)),
        inverse_(inverse),
        largest_step_(kMaxTear *
                      std::max({1.0,
                                ratio(map.source_display.width, map.output.display.width),
                                ratio(map.source_display.height, map.output.display.height)})) {}

  void run() {
    const int columns = map_.map.st.width() - 1;
    const int rows = map_.map.st.height() - 1;
    for (int j = 0; j < rows; ++j) {
      for (int i = 0; i < columns; ++i) {
        fill(i, j, reach_of(i, columns), reach_of(j, rows));
      }
    }
  }

 private:
  static double ratio(int source, int output) { return static_cast<double>(source) / output; }

  void fill(int i, int j, const Reach& across, const Reach& down) {
    const Cell cell{map_.position(i, j),
                    map_.position(i + 1, j),
                    map_.position(i, j + 1),
                    map_.position(i + 1, j + 1)};
    const std::array corners{cell.at(across.first, down.first),
                             cell.at(across.last, down.first),
                             cell.at(across.first, down.last),
                             cell.at(across.last, down.last)};
    Point2d least = corners[0];
    Point2d most = corners[0];
    for (const Point2d& corner : corners) {
      if (!corner.allFinite()) return;
      least = least.cwiseMin(corner);
      most = most.cwiseMax(corner);
    }
    if ((most - least).maxCoeff() > largest_step_) return;
    // Pixels of the inverse whose centres may lie in the cell.
    const Window& data = inverse_.output.data;
    const Point2d to_data(inverse_.output.display.x - data.x - 0.5,
                          inverse_.output.display.y - data.y - 0.5);
    const Point2d begin = (least + to_data).cwiseMax(0.0);
    const Point2d end = (most + to_data).cwiseMin(Point2d(data.width - 1, data.height - 1));
    for (int y = static_cast<int>(std::ceil(begin.y())); y <= end.y(); ++y) {
      for (int x = static_cast<int>(std::ceil(begin.x())); x <= end.x(); ++x) {
        float* st = &inverse_.st.at(x, y);
        if (!std::isnan(st[0])) continue;
        const std::optional<Point2d> place = cell.place_of(Point2d(x, y) - to_data);
        if (!place || !holds(across, place->x()) || !holds(down, place->y())) continue;
        store(Point2d(i, j) + *place, st);
      }
    }
  }

  /// Neighbours must not leave a gap between them through rounding.
  static bool holds(const Reach& reach, double place) {
    constexpr double kRounding = 1e-9;
    return place >= reach.first - kRounding && place <= reach.last + kRounding;
  }

  /// `place`: column and row of the map, whole at pixel centres.
  void store(const Point2d& place, float* st) const {
    const FrameWindows& output = map_.map.output;
    const Point2d p_px = place + Point2d(output.data.x - output.display.x + 0.5,
                                         output.data.y - output.display.y + 0.5);
    const Point2d p_st = st_from_position(p_px, output.display.size(), inverse_.t_origin);
    st[0] = static_cast<float>(p_st.x());
    st[1] = static_cast<float>(p_st.y());
  }

  ScaledMap map_;
  StMap& inverse_;
  double largest_step_;
};

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

}  // namespace

Result<EdgePixels> source_reach(const StMap& map) {
  if (Result<void> checked = validate(map); !checked) return fail(checked.error());
  const ScaledMap positions = scaled(map);
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

Result<StMap> inverse_map(const StMap& map, const EdgePixels& overscan_px) {
  if (Result<void> checked = validate(map); !checked) return fail(checked.error());
  const EdgePixels& e = overscan_px;
  if (std::min({e.left, e.top, e.right, e.bottom}) < 0) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("overscan {},{},{},{}: negative", e.left, e.top, e.right, e.bottom));
  }
  const Window& display = map.source_display;
  const auto width = static_cast<long long>(display.width) + e.left + e.right;
  const auto height = static_cast<long long>(display.height) + e.top + e.bottom;
  if (width > kMaxImageSide || height > kMaxImageSide) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("an inverse of {}x{} pixels; {} is the most", width, height, kMaxImageSide));
  }
  const Window data = data_window(display, e);
  StMap inverse{.st = Image<float>(data.width, data.height, 2),
                .output = {.display = display, .data = data},
                .source_display = map.output.display,
                .t_origin = map.t_origin,
                .direction = map.direction == MapDirection::kUndistort ? MapDirection::kRedistort
                                                                       : MapDirection::kUndistort};
  inverse.st.fill(kNone);
  Inverter(map, inverse).run();
  return inverse;
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
  const ScaledMap in_a = scaled(a);
  const ScaledMap in_b = scaled(b);
  const Common common = common_pixels(a.output, b.output);
  MapDifference difference;
  double sum = 0.0;
  double sum_of_squares = 0.0;
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
  return difference;
}

}  // namespace trueplate::warp
