#include "calib/target/checkerboard.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "calib/target/detail/library_search.h"
#include "calib/target/detail/search_image.h"
#include "calib/target/detail/smooth_grid.h"
#include "calib/target/saddle.h"

namespace trueplate::target {
namespace {

using detail::GridPoint;
using detail::SmoothGrid;

constexpr int kMaxGridCorners = 400;     // per side
constexpr double kMaxUnevenness = 0.12;  // departure from the smooth grid, share of a square
constexpr double kBeyondShare = 0.6;     // of a border's continuation that must look like corners

/// The corners of a grid, row by row; a corner without a fit is nullopt.
struct Grid {
  int columns = 0;
  int rows = 0;
  std::vector<std::optional<Saddle>> saddles;

  [[nodiscard]] std::size_t index(int column, int row) const {
    return static_cast<std::size_t>(row) * static_cast<std::size_t>(columns) +
           static_cast<std::size_t>(column);
  }
  [[nodiscard]] int count() const {
    return static_cast<int>(
        std::count_if(saddles.begin(), saddles.end(), [](const auto& s) { return s.has_value(); }));
  }
};

std::vector<GridPoint> points_of(const Grid& grid) {
  std::vector<GridPoint> points;
  for (int row = 0; row < grid.rows; ++row)
    for (int column = 0; column < grid.columns; ++column)
      if (const auto& saddle = grid.saddles[grid.index(column, row)])
        points.push_back({column, row, saddle->p_px});
  return points;
}

/// The guess for the crossing (column, row): its steps are the shorter of the two sides.
SaddleGuess guess_at(const SmoothGrid& smooth, int column, int row) {
  SaddleGuess guess;
  guess.p_px = smooth.at(column, row);
  const auto step = [&](const Point2d& direction, const Point2d& next, const Point2d& previous) {
    const double length = std::min((next - guess.p_px).norm(), (guess.p_px - previous).norm());
    return Point2d(direction.normalized() * length);
  };
  guess.step_u_px =
      step(smooth.step_u(column, row), smooth.at(column + 1, row), smooth.at(column - 1, row));
  guess.step_v_px =
      step(smooth.step_v(column, row), smooth.at(column, row + 1), smooth.at(column, row - 1));
  guess.curvature_u = smooth.curvature_u(column, row);
  guess.curvature_v = smooth.curvature_v(column, row);
  return guess;
}

double step_length(const SmoothGrid& smooth, int column, int row) {
  return std::min(smooth.step_u(column, row).norm(), smooth.step_v(column, row).norm());
}

/// +1 or -1: the sign of the contrast at an even crossing that this one stands for.
int parity(const Saddle& saddle, int column, int row) {
  const int sign = saddle.contrast > 0.0 ? 1 : -1;
  return (column + row) % 2 == 0 ? sign : -sign;
}

int majority_parity(const Grid& grid) {
  int sum = 0;
  for (int row = 0; row < grid.rows; ++row)
    for (int column = 0; column < grid.columns; ++column)
      if (const auto& saddle = grid.saddles[grid.index(column, row)])
        sum += parity(*saddle, column, row);
  return sum >= 0 ? 1 : -1;
}

Grid measure(ImageView<const float> image,
             const SmoothGrid& smooth,
             int columns,
             int rows,
             const SaddleOptions& options) {
  Grid grid{columns, rows, {}};
  for (int row = 0; row < rows; ++row) {
    for (int column = 0; column < columns; ++column) {
      auto saddle = fit_saddle(image, guess_at(smooth, column, row), options);
      grid.saddles.push_back(saddle ? std::optional(*saddle) : std::nullopt);
    }
  }
  return grid;
}

/// Drops what is no corner of this grid: wrong colours around it, or out of line.
void drop_strangers(Grid& grid, const SmoothGrid& smooth) {
  const int colours = majority_parity(grid);
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      auto& saddle = grid.saddles[grid.index(column, row)];
      if (!saddle) continue;
      const double off = (saddle->p_px - smooth.at(column, row)).norm();
      if (parity(*saddle, column, row) != colours ||
          off > kMaxUnevenness * step_length(smooth, column, row))
        saddle.reset();
    }
  }
}

/// Whether most of the crossings one step beyond a border are corners too.
bool goes_on_past(ImageView<const float> image, const SmoothGrid& smooth, const Grid& grid) {
  const int colours = majority_parity(grid);
  const auto looks_like_corner = [&](int column, int row) -> std::optional<bool> {
    const SaddleGuess guess = guess_at(smooth, column, row);
    const double reach = 0.5 * std::max(guess.step_u_px.norm(), guess.step_v_px.norm());
    if (!(guess.p_px.x() >= reach && guess.p_px.x() <= image.width - reach &&
          guess.p_px.y() >= reach && guess.p_px.y() <= image.height - reach))
      return std::nullopt;
    const auto saddle = fit_saddle(image, guess, {.max_move_share = 0.2});
    return saddle.has_value() && parity(*saddle, column, row) == colours;
  };
  const auto side = [&](int count, const auto& at) {
    int inside = 0;
    int corners = 0;
    for (int i = 0; i < count; ++i) {
      const auto answer = at(i);
      if (!answer) continue;
      ++inside;
      if (*answer) ++corners;
    }
    return inside >= 2 && corners >= kBeyondShare * inside;
  };
  return side(grid.rows, [&](int i) { return looks_like_corner(-1, i); }) ||
         side(grid.rows, [&](int i) { return looks_like_corner(grid.columns, i); }) ||
         side(grid.columns, [&](int i) { return looks_like_corner(i, -1); }) ||
         side(grid.columns, [&](int i) { return looks_like_corner(i, grid.rows); });
}

/// A quarter turn; right-handed stays right-handed. The sector between the new axes is the old
/// one's neighbour, so the sign of the contrast changes.
Grid turned(const Grid& grid) {
  Grid result{grid.rows, grid.columns, {}};
  for (int row = 0; row < result.rows; ++row) {
    for (int column = 0; column < result.columns; ++column) {
      auto saddle = grid.saddles[grid.index(grid.columns - 1 - row, column)];
      if (saddle) {
        saddle->contrast = -saddle->contrast;
        const Point2d u = saddle->direction_u;
        saddle->direction_u = saddle->direction_v;
        saddle->direction_v = -u;
      }
      result.saddles.push_back(saddle);
    }
  }
  return result;
}

double x_to_the_right(const Grid& grid) {
  const auto smooth = SmoothGrid::fit(points_of(grid));
  if (!smooth) return 0.0;
  const Point2d step = smooth->step_u(0.5 * (grid.columns - 1), 0.5 * (grid.rows - 1));
  return step.x() / std::max(1e-12, step.norm());
}

/// Of the turns that keep the shape: one with a dark outer corner square at the origin if there
/// is one, and of these the one whose x points most to the right.
Grid oriented(const Grid& grid) {
  std::optional<Grid> best;
  bool best_dark = false;
  double best_right = 0.0;
  Grid turn = grid;
  for (int quarter = 0; quarter < 4; ++quarter, turn = turned(turn)) {
    if (turn.columns != grid.columns) continue;
    const bool dark = majority_parity(turn) < 0;
    const double right = x_to_the_right(turn);
    if (!best || std::pair(dark, right) > std::pair(best_dark, best_right)) {
      best = turn;
      best_dark = dark;
      best_right = right;
    }
  }
  return *best;
}

Result<void> check_input(ImageView<const float> luma,
                         const Chart& chart,
                         const DetectOptions& options) {
  if (chart.kind != ChartKind::kCheckerboard)
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("chart: found kind {}, need checkerboard", chart_kind_name(chart.kind)));
  if (chart.columns < kMinGridCorners || chart.rows < kMinGridCorners ||
      chart.columns > kMaxGridCorners || chart.rows > kMaxGridCorners)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("chart: found a grid of {}x{} inner corners, need {} to {} each way",
                            chart.columns,
                            chart.rows,
                            kMinGridCorners,
                            kMaxGridCorners));
  if (!(chart.pitch_mm > 0.0) || !std::isfinite(chart.pitch_mm))
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("chart: found a pitch of {} mm, need a positive length", chart.pitch_mm));
  if (options.search_side_px < 160 || !(options.max_lost_share >= 0.0) ||
      !(options.max_lost_share <= 1.0))
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("detection options: found search_side_px {} and max_lost_share {}, need "
                    "160 or more and 0 to 1",
                    options.search_side_px,
                    options.max_lost_share));
  if (luma.data == nullptr || luma.channels != 1 || luma.width < kMinDetectSidePx ||
      luma.height < kMinDetectSidePx || luma.width > kMaxImageSide || luma.height > kMaxImageSide)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("image: found {}x{} with {} channels, need one channel and {} to {} "
                            "pixels each way",
                            luma.width,
                            luma.height,
                            luma.channels,
                            kMinDetectSidePx,
                            kMaxImageSide));
  return {};
}

}  // namespace

Result<std::vector<Corner>> detect_checkerboard(ImageView<const float> luma,
                                                const Chart& chart,
                                                const DetectOptions& options) {
  if (auto checked = check_input(luma, chart, options); !checked) return fail(checked.error());
  const int wanted = chart.columns * chart.rows;
  const auto no_chart = [&](int count) {
    return fail(ErrorCode::kNoChart,
                fmt::format("found {} of {} corners, need {} ({}x{})",
                            count,
                            wanted,
                            wanted,
                            chart.columns,
                            chart.rows));
  };

  const int longer = std::max(luma.width, luma.height);
  const int factor = std::max(
      1, static_cast<int>(std::lround(static_cast<double>(longer) / options.search_side_px)));
  const Image<float> reduced = detail::reduce(luma, factor);
  auto candidates = detail::library_search(reduced.view(), chart.columns, chart.rows);
  if (!candidates) return no_chart(0);

  std::vector<GridPoint> points;
  for (int row = 0; row < chart.rows; ++row)
    for (int column = 0; column < chart.columns; ++column)
      points.push_back({column, row, (*candidates)[points.size()]});
  auto smooth = SmoothGrid::fit(points);
  if (!smooth) return no_chart(0);
  const Point2d middle(0.5 * (chart.columns - 1), 0.5 * (chart.rows - 1));
  const Point2d u = smooth->step_u(middle.x(), middle.y());
  const Point2d v = smooth->step_v(middle.x(), middle.y());
  if (u.x() * v.y() - u.y() * v.x() < 0.0) {
    // The library numbers some boards mirrored.
    for (GridPoint& p : points) p.column = chart.columns - 1 - p.column;
    smooth = SmoothGrid::fit(points);
    if (!smooth) return no_chart(0);
  }

  // Twice on the search image, the second time with better steps and curvatures; then on the full
  // image, whose guess is good to a fraction of a pixel by now.
  Grid grid;
  const auto refine = [&](ImageView<const float> image, const SaddleOptions& how) -> bool {
    grid = measure(image, *smooth, chart.columns, chart.rows, how);
    drop_strangers(grid, *smooth);
    smooth = SmoothGrid::fit(points_of(grid));
    return smooth.has_value();
  };
  if (!refine(reduced.view(), {})) return no_chart(grid.count());
  if (!refine(reduced.view(), {})) return no_chart(grid.count());
  const int enough =
      std::max(4, static_cast<int>(std::ceil((1.0 - options.max_lost_share) * wanted)));
  if (grid.count() < enough) return no_chart(grid.count());
  if (goes_on_past(reduced.view(), *smooth, grid))
    return fail(ErrorCode::kNoChart,
                fmt::format("the chart goes on past the {}x{} corners asked for; check --grid",
                            chart.columns,
                            chart.rows));
  if (factor > 1) {
    std::vector<GridPoint> scaled = points_of(grid);
    for (GridPoint& p : scaled) p.p_px *= factor;
    smooth = SmoothGrid::fit(scaled);
    if (!smooth || !refine(luma, {})) return no_chart(grid.count());
    if (grid.count() < enough) return no_chart(grid.count());
  }

  grid = oriented(grid);
  std::vector<Corner> corners;
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      const auto& saddle = grid.saddles[grid.index(column, row)];
      if (!saddle) continue;
      corners.push_back({.p_chart_mm = {column * chart.pitch_mm, row * chart.pitch_mm, 0.0},
                         .p_plate_px = saddle->p_px,
                         .sigma_px = saddle->sigma_px()});
    }
  }
  return corners;
}

}  // namespace trueplate::target
