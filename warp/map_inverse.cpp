#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <vector>

#include "calib/base/parallel.h"
#include "warp/detail/map_slopes.h"
#include "warp/map_field.h"
#include "warp/map_tools.h"

namespace trueplate::warp {
namespace {

using detail::ScaledMap;

constexpr float kNone = std::numeric_limits<float>::quiet_NaN();

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

/// Some rows or columns: first and one past the last.
struct Span {
  int begin = 0;
  int end = 0;

  [[nodiscard]] bool empty() const { return begin >= end; }
  [[nodiscard]] bool meets(int other_begin, int other_end) const {
    return begin < other_end && other_begin < end;
  }
};

/// A map being turned round.
class Inverter {
 public:
  Inverter(const StMap& map, StMap& inverse)
      : map_(detail::scaled_map(map)),
        field_(map),
        inverse_(inverse),
        columns_(map.st.width() - 1),
        rows_(map.st.height() - 1),
        largest_step_(kMaxTear *
                      std::max({1.0,
                                ratio(map.source_display.width, map.output.display.width),
                                ratio(map.source_display.height, map.output.display.height)})) {}

  void run(int threads) {
    if (columns_ < 1 || rows_ < 1) return;
    // Rows of the inverse are shared out, each to one thread, which goes through the cells that
    // reach them in reading order; so no two threads claim one pixel.
    std::vector<Span> reached(static_cast<std::size_t>(rows_));
    parallel_rows(rows_, threads, [&](int begin, int end) {
      for (int j = begin; j < end; ++j) reached[static_cast<std::size_t>(j)] = rows_reached(j);
    });
    constexpr int kRowsPerCall = 64;  // rows of cells are bent: a call looks at more than its share
    parallel_rows(
        inverse_.st.height(),
        threads,
        [&](int begin, int end) {
          for (int j = 0; j < rows_; ++j) {
            if (!reached[static_cast<std::size_t>(j)].meets(begin, end)) continue;
            for (int i = 0; i < columns_; ++i) fill(i, j, {begin, end});
          }
        },
        kRowsPerCall);
  }

 private:
  static double ratio(int source, int output) { return static_cast<double>(source) / output; }

  [[nodiscard]] Cell cell_at(int i, int j) const {
    return {map_.position(i, j),
            map_.position(i + 1, j),
            map_.position(i, j + 1),
            map_.position(i + 1, j + 1)};
  }

  /// Pixels of the inverse whose centres may lie in a cell.
  struct Pixels {
    Span x;
    Span y;
  };
  [[nodiscard]] Pixels pixels_of(const Cell& cell, const Reach& across, const Reach& down) const {
    const std::array corners{cell.at(across.first, down.first),
                             cell.at(across.last, down.first),
                             cell.at(across.first, down.last),
                             cell.at(across.last, down.last)};
    Point2d least = corners[0];
    Point2d most = corners[0];
    for (const Point2d& corner : corners) {
      if (!corner.allFinite()) return {};
      least = least.cwiseMin(corner);
      most = most.cwiseMax(corner);
    }
    if ((most - least).maxCoeff() > largest_step_) return {};
    const Window& data = inverse_.output.data;
    const Point2d begin = (least + to_data()).cwiseMax(0.0);
    const Point2d end = (most + to_data()).cwiseMin(Point2d(data.width - 1, data.height - 1));
    const auto span = [](double first, double last) {
      return first > last ? Span{}
                          : Span{static_cast<int>(std::ceil(first)), static_cast<int>(last) + 1};
    };
    return {span(begin.x(), end.x()), span(begin.y(), end.y())};
  }

  /// From a position in the map's source to columns and rows of the inverse, whole at their
  /// centres.
  [[nodiscard]] Point2d to_data() const {
    const FrameWindows& output = inverse_.output;
    return {output.display.x - output.data.x - 0.5, output.display.y - output.data.y - 0.5};
  }

  /// The rows of the inverse that a row of cells may reach.
  [[nodiscard]] Span rows_reached(int j) const {
    const Reach down = reach_of(j, rows_);
    Span rows;
    for (int i = 0; i < columns_; ++i) {
      const Pixels pixels = pixels_of(cell_at(i, j), reach_of(i, columns_), down);
      if (pixels.x.empty() || pixels.y.empty()) continue;
      rows = rows.empty()
                 ? pixels.y
                 : Span{std::min(rows.begin, pixels.y.begin), std::max(rows.end, pixels.y.end)};
    }
    return rows;
  }

  /// Fills the pixels that look into a cell, of the rows given.
  void fill(int i, int j, const Span& rows) {
    const Reach across = reach_of(i, columns_);
    const Reach down = reach_of(j, rows_);
    const Cell cell = cell_at(i, j);
    const Pixels pixels = pixels_of(cell, across, down);
    const int y_end = std::min(pixels.y.end, rows.end);
    for (int y = std::max(pixels.y.begin, rows.begin); y < y_end; ++y) {
      for (int x = pixels.x.begin; x < pixels.x.end; ++x) {
        float* st = &inverse_.st.at(x, y);
        if (!std::isnan(st[0])) continue;
        const Point2d p_source_px = Point2d(x, y) - to_data();
        const std::optional<Point2d> place = cell.place_of(p_source_px);
        if (!place || !holds(across, place->x()) || !holds(down, place->y())) continue;
        store(refined(Point2d(i, j) + *place, p_source_px), st);
      }
    }
  }

  /// Neighbours must not leave a gap between them through rounding.
  static bool holds(const Reach& reach, double place) {
    constexpr double kRounding = 1e-9;
    return place >= reach.first - kRounding && place <= reach.last + kRounding;
  }

  /// `place`: column and row of the map, whole at pixel centres, that looks at `p_source_px` by
  /// bilinear interpolation. Returns the output position where the field does, found by Newton's
  /// method; where that leads away, beside a tear, the bilinear one.
  [[nodiscard]] Point2d refined(const Point2d& place, const Point2d& p_source_px) const {
    constexpr int kMostSteps = 4;
    constexpr double kSettled_px = 1e-9;
    constexpr double kFar_px = 0.25;
    const FrameWindows& output = map_.map.output;
    const Point2d first = place + Point2d(output.data.x - output.display.x + 0.5,
                                          output.data.y - output.display.y + 0.5);
    Point2d p_px = first;
    for (int step = 0; step < kMostSteps; ++step) {
      const std::optional<MapSample> sample = field_.at(p_px);
      if (!sample) return first;
      const Point2d change = sample->slope.inverse() * (p_source_px - sample->position_px);
      p_px += change;
      if (!((p_px - first).norm() < kFar_px)) return first;
      if (change.norm() < kSettled_px) break;
    }
    return p_px;
  }

  void store(const Point2d& p_px, float* st) const {
    const Point2d p_st = st_from_position(p_px, map_.map.output.display.size(), inverse_.t_origin);
    st[0] = static_cast<float>(p_st.x());
    st[1] = static_cast<float>(p_st.y());
  }

  ScaledMap map_;
  MapField field_;
  StMap& inverse_;
  int columns_;
  int rows_;
  double largest_step_;
};

}  // namespace

Result<StMap> inverse_map(const StMap& map, const EdgePixels& overscan_px, int threads) {
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
  Inverter(map, inverse).run(threads);
  return inverse;
}

}  // namespace trueplate::warp
