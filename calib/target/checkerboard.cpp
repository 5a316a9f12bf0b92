#include "calib/target/checkerboard.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <utility>

#include "calib/target/detail/corner_candidates.h"
#include "calib/target/detail/lattice.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/detail/search_image.h"
#include "calib/target/detail/smooth_grid.h"
#include "calib/target/saddle.h"

namespace trueplate::target {
namespace {

using detail::Extent;
using detail::extent_of;
using detail::Lattice;
using detail::SmoothGrid;

constexpr int kMaxGridCorners = 400;     // per side
constexpr double kMaxUnevenness = 0.12;  // departure from the smooth grid, share of a square
constexpr double kBeyondShare = 0.6;     // of a border's continuation that must be corners
constexpr double kSigmaFloorPx = 0.001;  // rounding of the pixels, which the residuals do not show
constexpr int kMostCandidates = 3000;

/// A lattice in pixels of an image reduced by `factor`.
struct Found {
  Lattice lattice;
  int factor = 1;
};

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
  // In line is what follows the smooth grid or, on paper that curls, its neighbours.
  std::vector<Lattice::Place> strangers;
  for (const detail::GridPoint& p : lattice.points()) {
    const double square =
        std::min(again->step_u(p.column, p.row).norm(), again->step_v(p.column, p.row).norm());
    const double limit = kMaxUnevenness * square;
    if ((again->at(p.column, p.row) - p.p_px).norm() <= limit) continue;
    const auto next = detail::continued(lattice, p.column, p.row);
    if (next && (*next - p.p_px).norm() <= limit) continue;
    strangers.emplace_back(p.column, p.row);
  }
  for (const auto& [column, row] : strangers) lattice.erase(column, row);
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

/// The lattice of the wanted extent if one is found at any size, else the largest one. Without a
/// wanted extent the largest of all sizes.
Found search(ImageView<const float> luma,
             const std::optional<Extent>& wanted,
             const DetectOptions& options) {
  const int enough = wanted ? wanted->columns * wanted->rows : std::numeric_limits<int>::max();
  Found best;
  for (const int factor : search_factors(luma, options.search_side_px)) {
    const Image<float> reduced = detail::reduce(luma, factor);
    const Image<float> toned = detail::toned(reduced.view());
    const auto candidates = detail::corner_candidates(toned.view(), kMostCandidates);
    const Lattice grown = detail::grow_lattice(reduced.view(), toned.view(), candidates, enough);
    const Lattice lattice = wanted ? detail::trimmed(grown) : detail::without_strays(grown);
    const bool match = wanted && same_grid(extent_of(lattice), *wanted);
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
  const bool grid_known = chart.columns != 0 || chart.rows != 0;
  if (grid_known && (chart.columns < kMinGridCorners || chart.rows < kMinGridCorners ||
                     chart.columns > kMaxGridCorners || chart.rows > kMaxGridCorners))
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

Unexpected found_too_few(int count, Extent grid) {
  const int wanted = grid.columns * grid.rows;
  return fail(ErrorCode::kNoChart,
              fmt::format("found {} of {} corners, need {} ({}x{})",
                          count,
                          wanted,
                          wanted,
                          grid.columns,
                          grid.rows));
}

Unexpected goes_on(Extent grid) {
  return fail(ErrorCode::kNoChart,
              fmt::format("the chart goes on past the {}x{} corners asked for; check --grid",
                          grid.columns,
                          grid.rows));
}

/// Why a lattice of another extent is not the chart.
Unexpected wrong_extent(const Lattice& lattice, Extent grid) {
  const Extent extent = extent_of(lattice);
  const auto [small, large] = std::minmax({extent.columns, extent.rows});
  const auto [least, most] = std::minmax({grid.columns, grid.rows});
  if (small >= least && large >= most) return goes_on(grid);
  if (small > least || large > most)
    return fail(ErrorCode::kNoChart,
                fmt::format("found a grid of {}x{} corners, need {}x{}; check --grid",
                            extent.columns,
                            extent.rows,
                            grid.columns,
                            grid.rows));
  return found_too_few(lattice.size(), grid);
}

Unexpected found_no_grid(int count) {
  return fail(ErrorCode::kNoChart,
              fmt::format("found {} corners of a checkerboard, need {}", count, kMinFreeCorners));
}

/// The corners of a rough lattice, oriented and found at a reduced size, measured on the image.
Lattice measured(ImageView<const float> luma, const Lattice& rough, Extent extent, int factor) {
  std::vector<detail::GridPoint> points = rough.points();
  for (detail::GridPoint& p : points) p.p_px *= factor;
  const auto smooth = SmoothGrid::fit(points);
  if (!smooth) return {};
  detail::Looks looks = detail::looks_of(rough);
  looks.blur_px *= factor;
  return measure(luma, *smooth, extent, rough.parity(), looks);
}

std::vector<Corner> corners_of(const Lattice& lattice, Extent extent, double pitch_mm) {
  std::vector<Corner> corners;
  for (int row = 0; row < extent.rows; ++row) {
    for (int column = 0; column < extent.columns; ++column) {
      const Saddle* saddle = lattice.find(column, row);
      if (saddle == nullptr) continue;
      corners.push_back({.p_chart_mm = {column * pitch_mm, row * pitch_mm, 0.0},
                         .p_plate_px = saddle->p_px,
                         .sigma_px = std::hypot(saddle->sigma_px(), kSigmaFloorPx)});
    }
  }
  return corners;
}

}  // namespace

Result<std::vector<Corner>> detect_checkerboard(ImageView<const float> luma,
                                                const Chart& chart,
                                                const DetectOptions& options) {
  if (auto checked = check_input(luma, chart, options); !checked) return fail(checked.error());
  if (chart.columns == 0) {
    const Found found = search(luma, std::nullopt, options);
    if (found.lattice.size() < kMinFreeCorners) return found_no_grid(found.lattice.size());
    const Extent extent = extent_of(found.lattice);
    const Lattice rough = detail::oriented(found.lattice, extent);
    const Lattice lattice = detail::without_strays(measured(luma, rough, extent, found.factor));
    if (lattice.size() < kMinFreeCorners) return found_no_grid(lattice.size());
    return corners_of(lattice, extent, chart.pitch_mm);
  }

  const Extent grid{chart.columns, chart.rows};
  const Found found = search(luma, grid, options);
  if (!same_grid(extent_of(found.lattice), grid)) return wrong_extent(found.lattice, grid);
  const Lattice rough = detail::oriented(found.lattice, grid);
  const Lattice lattice = measured(luma, rough, grid, found.factor);
  const double enough = (1.0 - options.max_lost_share) * grid.columns * grid.rows;
  const auto smooth = SmoothGrid::fit(lattice.points());
  if (!smooth || lattice.size() < enough) return found_too_few(lattice.size(), grid);
  if (goes_on_past(luma, *smooth, lattice, grid)) return goes_on(grid);
  return corners_of(lattice, grid, chart.pitch_mm);
}

}  // namespace trueplate::target
