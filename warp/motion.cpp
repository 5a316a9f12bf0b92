#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <optional>

#include "calib/base/text.h"
#include "warp/detail/pass_rows.h"
#include "warp/passes.h"

namespace trueplate::warp {
namespace {

using detail::ScaledMap;
using detail::Slopes;

/// The map at a place between its pixels (column and row, whole at their centres), interpolated
/// linearly; beyond its edge it goes on by its slopes there. nullopt beside "no source".
std::optional<Point2d> position_at(const ScaledMap& map, const Point2d& place) {
  const int last_column = map.map.st.width() - 1;
  const int last_row = map.map.st.height() - 1;
  if (!place.allFinite()) return std::nullopt;
  const Point2d inside(std::clamp<double>(place.x(), 0.0, last_column),
                       std::clamp<double>(place.y(), 0.0, last_row));
  const int i = static_cast<int>(inside.x());
  const int j = static_cast<int>(inside.y());
  const int next_i = std::min(i + 1, last_column);
  const int next_j = std::min(j + 1, last_row);
  const double fx = inside.x() - i;
  const double fy = inside.y() - j;
  const Point2d above = (1.0 - fx) * map.position(i, j) + fx * map.position(next_i, j);
  const Point2d below = (1.0 - fx) * map.position(i, next_j) + fx * map.position(next_i, next_j);
  Point2d found = (1.0 - fy) * above + fy * below;
  const Point2d rest = place - inside;
  if (rest != Point2d(0.0, 0.0)) {
    const Slopes slopes = detail::slopes_at(map, i, j);
    found += Point2d(slopes.x_by_column * rest.x() + slopes.x_by_row * rest.y(),
                     slopes.y_by_column * rest.x() + slopes.y_by_row * rest.y());
  }
  if (!found.allFinite()) return std::nullopt;
  return found;
}

/// Solves slopes * step = wanted; nullopt where the map is flat.
std::optional<Point2d> solve(const Slopes& slopes, const Point2d& wanted) {
  const double determinant =
      slopes.x_by_column * slopes.y_by_row - slopes.x_by_row * slopes.y_by_column;
  if (!(std::abs(determinant) > 1e-6)) return std::nullopt;
  return Point2d((slopes.y_by_row * wanted.x() - slopes.x_by_row * wanted.y()) / determinant,
                 (slopes.x_by_column * wanted.y() - slopes.y_by_column * wanted.x()) / determinant);
}

/// The slopes at the pixel nearest to a place; beyond the map those at its edge.
Slopes slopes_near(const ScaledMap& map, const Point2d& place) {
  const auto nearest = [](double at, int last) {
    return static_cast<int>(std::lround(std::clamp<double>(at, 0.0, last)));
  };
  return detail::slopes_at(
      map, nearest(place.x(), map.map.st.width() - 1), nearest(place.y(), map.map.st.height() - 1));
}

/// Solves M(q') = target on the map, from the output pixel (i, j), where it has `slopes`, by
/// Newton's method that begins with `first`; q' less the pixel. nullopt beside "no source", and
/// where the map folds.
std::optional<Point2d> solve_on_map(const ScaledMap& map,
                                    const Point2d& pixel,
                                    const Slopes& slopes,
                                    const Point2d& first,
                                    const Point2d& target) {
  Point2d result = first;
  Slopes here = slopes;
  double last = std::numeric_limits<double>::infinity();
  constexpr int kMostRounds = 40;
  for (int round = 0; round < kMostRounds; ++round) {
    const Point2d place = pixel + result;
    const std::optional<Point2d> reached = position_at(map, place);
    if (!reached) return std::nullopt;
    const Point2d left = target - *reached;
    // Over a short vector the slopes change little, and those of its beginning do.
    constexpr double kQuick = 0.1;
    if (!(left.norm() < kQuick * last)) here = slopes_near(map, place);
    const std::optional<Point2d> correction = solve(here, left);
    if (!correction) return std::nullopt;
    result += *correction;
    if (correction->squaredNorm() < kMotionTolerance_px * kMotionTolerance_px) return result;
    last = left.norm();
  }
  return std::nullopt;
}

bool is_on(const ScaledMap& map, const Point2d& place) {
  return place.minCoeff() >= 0.0 && place.x() <= map.map.st.width() - 1 &&
         place.y() <= map.map.st.height() - 1;
}

/// The vector in the output at pixel (i, j), where the map has `slopes`, of one in the source, both
/// y down. Where neither map nor lens has an answer it is what the slopes say.
Point2d moved(const ScaledMap& map,
              int i,
              int j,
              const Slopes& slopes,
              const Point2d& vector_px,
              const OutputPlace& output_place) {
  const std::optional<Point2d> first = solve(slopes, vector_px);
  if (!first) return vector_px;
  const Point2d pixel(i, j);
  const Point2d target = map.position(i, j) + vector_px;
  const std::optional<Point2d> found = solve_on_map(map, pixel, slopes, *first, target);
  if (output_place && !(found && is_on(map, pixel + *found))) {
    const Window& data = map.map.output.data;
    const Window& display = map.map.output.display;
    const Point2d here(i + 0.5 + data.x - display.x, j + 0.5 + data.y - display.y);
    if (const std::optional<Point2d> there = output_place(target)) return *there - here;
  }
  return found.value_or(*first);
}

}  // namespace

std::string_view to_text(MotionY direction) { return direction == MotionY::kUp ? "up" : "down"; }

Result<MotionY> parse_motion_y(std::string_view text) {
  for (const MotionY direction : {MotionY::kUp, MotionY::kDown}) {
    if (to_text(direction) == trim(text)) return direction;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("direction of motion '{}': wanted up or down", text));
}

Result<void> look_up_motion(const SourcePicture& source,
                            const StMap& map,
                            std::span<const MotionChannels> vectors,
                            MotionY direction,
                            const PassOptions& options,
                            ImageView<float> output) {
  const double sign = direction == MotionY::kDown ? 1.0 : -1.0;
  const auto body = [&](const detail::LookupSource& lookup,
                        const ScaledMap& scaled,
                        const detail::Place& place,
                        int i,
                        int j,
                        float* out) {
    std::optional<Slopes> slopes;  // where there is something to turn
    for (const MotionChannels& channels : vectors) {
      const std::array pair{channels.x, channels.y};
      std::array<double, 2> vector{};
      detail::surface_values(lookup, place, pair, vector);
      const auto [x, y] = vector;
      out[channels.x] = static_cast<float>(x);
      out[channels.y] = static_cast<float>(y);
      // Nothing to turn; or no vector: a mark for "unknown" stays what it is.
      if ((x == 0.0 && y == 0.0) || !std::isfinite(x) || !std::isfinite(y)) continue;
      if (!slopes) slopes = detail::slopes_at(scaled, i, j);
      const Point2d vector_px = moved(scaled, i, j, *slopes, {x, sign * y}, options.output_place);
      out[channels.x] = static_cast<float>(vector_px.x());
      out[channels.y] = static_cast<float>(sign * vector_px.y());
    }
  };
  return detail::for_each_place(source, map, options, output, body);
}

}  // namespace trueplate::warp
