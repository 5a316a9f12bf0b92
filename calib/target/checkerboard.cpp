#include "calib/target/checkerboard.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <utility>

#include "calib/target/detail/corner_candidates.h"
#include "calib/target/detail/lattice.h"
#include "calib/target/detail/search_image.h"
#include "calib/target/detail/smooth_grid.h"
#include "calib/target/saddle.h"

namespace trueplate::target {
namespace {

using detail::Lattice;
using detail::SmoothGrid;

constexpr int kMaxGridCorners = 400;     // per side
constexpr double kMaxUnevenness = 0.12;  // departure from the smooth grid, share of a square
constexpr double kMinOccupied = 0.5;     // of a border row or column that counts as one
constexpr double kBeyondShare = 0.6;     // of a border's continuation that must be corners
constexpr double kSigmaFloorPx = 0.001;  // rounding of the pixels, which the residuals do not show
constexpr int kMostCandidates = 3000;

struct Extent {
  int columns = 0;
  int rows = 0;
};

/// A lattice in pixels of an image reduced by `factor`.
struct Found {
  Lattice lattice;
  int factor = 1;
};

/// Cuts off border rows and columns that hold less than half of their places, such as a stray
/// crossing beside the chart, and moves the origin to the corner of the rest.
Lattice trimmed(const Lattice& lattice) {
  auto [low, high] = lattice.bounds();
  const auto occupied = [&](int c0, int c1, int r0, int r1) {
    int count = 0;
    for (int row = r0; row <= r1; ++row)
      for (int column = c0; column <= c1; ++column)
        if (lattice.find(column, row) != nullptr) ++count;
    return static_cast<double>(count) / ((c1 - c0 + 1) * (r1 - r0 + 1));
  };
  // The emptiest border first: a stray beside a row's end must not cost the row.
  while (low.first < high.first && low.second < high.second) {
    const std::array<double, 4> share = {occupied(low.first, low.first, low.second, high.second),
                                         occupied(high.first, high.first, low.second, high.second),
                                         occupied(low.first, high.first, low.second, low.second),
                                         occupied(low.first, high.first, high.second, high.second)};
    const auto emptiest = std::min_element(share.begin(), share.end());
    if (*emptiest >= kMinOccupied) break;
    switch (emptiest - share.begin()) {
      case 0:
        ++low.first;
        break;
      case 1:
        --high.first;
        break;
      case 2:
        ++low.second;
        break;
      default:
        --high.second;
        break;
    }
  }
  Lattice result;
  for (const auto& [place, saddle] : lattice.saddles()) {
    const auto [column, row] = place;
    if (column < low.first || column > high.first || row < low.second || row > high.second)
      continue;
    // An odd shift would exchange the colours of even places; parity() is recomputed from them.
    result.set(column - low.first, row - low.second, saddle);
  }
  return result;
}

Extent extent_of(const Lattice& lattice) {
  if (lattice.size() == 0) return {};
  const auto [low, high] = lattice.bounds();
  return {high.first - low.first + 1, high.second - low.second + 1};
}

/// A quarter turn of a lattice whose places are 0 .. columns - 1 and 0 .. rows - 1; right-handed
/// stays right-handed. The sector between the new axes is the old one's neighbour, so the sign of
/// the contrast changes.
Lattice turned(const Lattice& lattice, Extent extent) {
  Lattice result;
  for (const auto& [place, old] : lattice.saddles()) {
    Saddle saddle = old;
    saddle.contrast = -saddle.contrast;
    saddle.direction_u = old.direction_v;
    saddle.direction_v = -old.direction_u;
    result.set(place.second, extent.columns - 1 - place.first, saddle);
  }
  return result;
}

double x_to_the_right(const Lattice& lattice, Extent extent) {
  const auto smooth = SmoothGrid::fit(lattice.points());
  if (!smooth) return 0.0;
  const Point2d step = smooth->step_u(0.5 * (extent.columns - 1), 0.5 * (extent.rows - 1));
  return step.x() / std::max(1e-12, step.norm());
}

/// Of the turns that give the lattice the wanted extent: one with a dark outer corner square at
/// the origin if there is one, and of these the one whose x points most to the right.
Lattice oriented(const Lattice& lattice, Extent wanted) {
  std::optional<Lattice> best;
  std::pair<bool, double> best_rank;
  Lattice turn = lattice;
  Extent extent = wanted;
  if (extent_of(lattice).columns != wanted.columns) std::swap(extent.columns, extent.rows);
  for (int quarter = 0; quarter < 4; ++quarter) {
    if (extent.columns == wanted.columns && extent.rows == wanted.rows) {
      const std::pair rank(turn.parity() < 0, x_to_the_right(turn, extent));
      if (!best || rank > best_rank) {
        best = turn;
        best_rank = rank;
      }
    }
    turn = turned(turn, extent);
    std::swap(extent.columns, extent.rows);
  }
  return best.value_or(lattice);
}

/// Measures every crossing of the grid that `smooth` predicts, and drops what is out of line.
Lattice measure(ImageView<const float> image,
                const SmoothGrid& smooth,
                Extent extent,
                int parity,
                const detail::Looks& looks) {
  Lattice lattice;
  for (int row = 0; row < extent.rows; ++row)
    for (int column = 0; column < extent.columns; ++column)
      if (const auto saddle = detail::probe(image,
                                            detail::guess_at(smooth, column, row, looks.blur_px),
                                            column,
                                            row,
                                            parity,
                                            looks,
                                            {}))
        lattice.set(column, row, *saddle);
  const auto again = SmoothGrid::fit(lattice.points());
  if (!again) return {};
  for (const detail::GridPoint& p : lattice.points()) {
    const double square =
        std::min(again->step_u(p.column, p.row).norm(), again->step_v(p.column, p.row).norm());
    if ((again->at(p.column, p.row) - p.p_px).norm() > kMaxUnevenness * square)
      lattice.erase(p.column, p.row);
  }
  return lattice;
}

/// Whether most of the crossings one step beyond a border, as far as the image shows them, are
/// corners too.
bool goes_on_past(ImageView<const float> image,
                  const SmoothGrid& smooth,
                  const Lattice& lattice,
                  Extent extent) {
  const int parity = lattice.parity();
  const detail::Looks looks = detail::looks_of(lattice);
  const auto side = [&](int count, const auto& place) {
    int inside = 0;
    int corners = 0;
    for (int i = 0; i < count; ++i) {
      const auto [column, row] = place(i);
      const SaddleGuess guess = detail::guess_at(smooth, column, row, looks.blur_px);
      const double reach = 0.5 * std::max(guess.step_u_px.norm(), guess.step_v_px.norm());
      if (!(guess.p_px.x() >= reach && guess.p_px.x() <= image.width - reach &&
            guess.p_px.y() >= reach && guess.p_px.y() <= image.height - reach))
        continue;
      ++inside;
      if (detail::probe(image, guess, column, row, parity, looks, {.max_reach_px = 7.0})) ++corners;
    }
    return inside >= 2 && corners >= kBeyondShare * inside;
  };
  using Place = Lattice::Place;
  return side(extent.rows, [](int i) { return Place(-1, i); }) ||
         side(extent.rows, [&](int i) { return Place(extent.columns, i); }) ||
         side(extent.columns, [](int i) { return Place(i, -1); }) ||
         side(extent.columns, [&](int i) { return Place(i, extent.rows); });
}

bool same_grid(Extent a, Extent b) {
  return (a.columns == b.columns && a.rows == b.rows) ||
         (a.columns == b.rows && a.rows == b.columns);
}

/// By how much each image is reduced for the search, in the order tried. Half of the search size
/// suffices for most charts and is quick; a smaller one sees through a strong blur, a larger one
/// finds small squares.
std::vector<int> search_factors(ImageView<const float> luma, int search_side_px) {
  const double longer = std::max(luma.width, luma.height);
  std::vector<int> factors;
  for (const double target : {0.5, 1.0, 0.25, 2.0}) {
    const int factor =
        std::max(1, static_cast<int>(std::lround(longer / (target * search_side_px))));
    if (std::min(luma.width, luma.height) / factor < kMinDetectSidePx) continue;
    if (std::find(factors.begin(), factors.end(), factor) == factors.end())
      factors.push_back(factor);
  }
  return factors;
}

/// The lattice of the wanted extent if one is found at any size, else the largest one.
Found search(ImageView<const float> luma, Extent wanted, const DetectOptions& options) {
  Found best;
  for (const int factor : search_factors(luma, options.search_side_px)) {
    const Image<float> reduced = detail::reduce(luma, factor);
    const Image<float> toned = detail::toned(reduced.view());
    const auto candidates = detail::corner_candidates(toned.view(), kMostCandidates);
    const Lattice lattice = trimmed(detail::grow_lattice(
        reduced.view(), toned.view(), candidates, wanted.columns * wanted.rows));
    const bool match = same_grid(extent_of(lattice), wanted);
    if (match || lattice.size() > best.lattice.size()) best = {lattice, factor};
    if (match) break;
  }
  return best;
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

  const Extent grid{chart.columns, chart.rows};
  const auto goes_on = [&] {
    return fail(ErrorCode::kNoChart,
                fmt::format("the chart goes on past the {}x{} corners asked for; check --grid",
                            grid.columns,
                            grid.rows));
  };
  const Found found = search(luma, grid, options);
  const Extent extent = extent_of(found.lattice);
  if (!same_grid(extent, grid)) {
    const auto [small, large] = std::minmax(extent.columns, extent.rows);
    const auto [least, most] = std::minmax(grid.columns, grid.rows);
    if (small >= least && large >= most) return goes_on();
    if (small > least || large > most)
      return fail(ErrorCode::kNoChart,
                  fmt::format("found a grid of {}x{} corners, need {}x{}; check --grid",
                              extent.columns,
                              extent.rows,
                              grid.columns,
                              grid.rows));
    return no_chart(found.lattice.size());
  }

  const Lattice rough = oriented(found.lattice, grid);
  std::vector<detail::GridPoint> points = rough.points();
  for (detail::GridPoint& p : points) p.p_px *= found.factor;
  auto smooth = SmoothGrid::fit(points);
  if (!smooth) return no_chart(rough.size());
  detail::Looks looks = detail::looks_of(rough);
  looks.blur_px *= found.factor;
  const Lattice lattice = measure(luma, *smooth, grid, rough.parity(), looks);
  smooth = SmoothGrid::fit(lattice.points());
  const int enough =
      std::max(4, static_cast<int>(std::ceil((1.0 - options.max_lost_share) * wanted)));
  if (!smooth || lattice.size() < enough) return no_chart(lattice.size());
  if (goes_on_past(luma, *smooth, lattice, grid)) return goes_on();

  std::vector<Corner> corners;
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      const Saddle* saddle = lattice.find(column, row);
      if (saddle == nullptr) continue;
      corners.push_back({.p_chart_mm = {column * chart.pitch_mm, row * chart.pitch_mm, 0.0},
                         .p_plate_px = saddle->p_px,
                         .sigma_px = std::hypot(saddle->sigma_px(), kSigmaFloorPx)});
    }
  }
  return corners;
}

}  // namespace trueplate::target
