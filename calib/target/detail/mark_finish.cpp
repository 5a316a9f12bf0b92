#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "calib/target/detail/finish.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/detail/mark_search.h"

namespace trueplate::target::detail {
namespace {

Unexpected too_few_free(const MarkKind& kind, int count) {
  return fail(ErrorCode::kNoChart,
              fmt::format("found {} {} of a grid, need {}, {} or more each way",
                          count,
                          kind.noun,
                          kMinFreePoints,
                          kMinFreeSide));
}

Unexpected other_grid(const MarkKind& kind, int count, Extent found, Extent wanted) {
  const auto [small, large] = std::minmax({found.columns, found.rows});
  const auto [least, most] = std::minmax({wanted.columns, wanted.rows});
  if (small >= least && large >= most)
    return fail(ErrorCode::kNoChart,
                fmt::format("the chart goes on past the {}x{} {} asked for; check --grid",
                            wanted.columns,
                            wanted.rows,
                            kind.noun));
  if (small > least || large > most)
    return fail(ErrorCode::kNoChart,
                fmt::format("found a grid of {}x{} {}, need {}x{}; check --grid",
                            found.columns,
                            found.rows,
                            kind.noun,
                            wanted.columns,
                            wanted.rows));
  return fail(ErrorCode::kNoChart,
              fmt::format("found {} of {} {}, need {} ({}x{})",
                          count,
                          wanted.columns * wanted.rows,
                          kind.noun,
                          wanted.columns * wanted.rows,
                          wanted.columns,
                          wanted.rows));
}

/// Nodes by (row, half pitches along it) of a staggered chart, or (row, column) of another.
using Rows = std::map<Place, Node>;

std::vector<Corner> corners_of(const Rows& rows, double step_mm) {
  std::vector<Corner> corners;
  corners.reserve(rows.size());
  for (const auto& [place, node] : rows)
    corners.push_back(corner_of(node, place.second * step_mm, place.first * step_mm));
  return corners;
}

/// A square lattice seen as rows of a staggered chart: its diagonals are the rows.
struct Staggered {
  Rows rows;
  Extent extent;  // rows, and half pitches from the first to the last dot, counted
};

Staggered staggered(const Lattice& lattice) {
  Staggered result;
  if (lattice.size() == 0) return result;
  int row_low = 1 << 30, row_high = -(1 << 30), half_low = 1 << 30, half_high = -(1 << 30);
  for (const auto& [place, node] : lattice.nodes()) {
    row_low = std::min(row_low, place.first + place.second);
    row_high = std::max(row_high, place.first + place.second);
    half_low = std::min(half_low, place.first - place.second);
    half_high = std::max(half_high, place.first - place.second);
  }
  // Row 0 begins a row of even half pitches: those of a place and its row are both odd or both
  // even.
  const int half_origin = half_low - ((half_low - row_low) % 2 != 0 ? 1 : 0);
  for (const auto& [place, node] : lattice.nodes())
    result.rows[{place.first + place.second - row_low, place.first - place.second - half_origin}] =
        node;
  result.extent = {half_high - half_origin + 1, row_high - row_low + 1};
  return result;
}

double x_to_the_right(const Rows& rows) {
  // Mean of the steps of two half pitches along rows.
  Point2d sum(0.0, 0.0);
  for (const auto& [place, node] : rows) {
    const auto next = rows.find({place.first, place.second + 2});
    if (next != rows.end()) sum += next->second.p_px - node.p_px;
  }
  return sum.norm() > 0.0 ? sum.x() / sum.norm() : -2.0;
}

// Drops nodes that are neither part of a square of four nor beside one: a staggered chart's corners
// are beside one only.
Lattice without_far_strays(const Lattice& lattice) {
  const auto in_square = [&](Place place) {
    const auto taken = [&](int c, int r) {
      return lattice.find({place.first + c, place.second + r}) != nullptr;
    };
    for (const int c : {-1, 1})
      for (const int r : {-1, 1})
        if (taken(c, 0) && taken(0, r) && taken(c, r)) return true;
    return false;
  };
  Lattice result;
  for (const auto& [place, node] : lattice.nodes()) {
    const auto [column, row] = place;
    bool keep = in_square(place);
    for (const Place& next :
         {Place{column + 1, row}, {column - 1, row}, {column, row + 1}, {column, row - 1}})
      keep = keep || (lattice.find(next) != nullptr && in_square(next));
    if (keep) result.set(place, node);
  }
  return result;
}

Result<Detection> finish_staggered(const Lattice& lattice,
                                   const MarkKind& kind,
                                   const Chart& chart,
                                   const DetectOptions& options) {
  // Half pitches of a row of n dots, with the next row's last one: 2 n.
  const Extent wanted{chart.rows > 1 ? 2 * chart.columns : 2 * chart.columns - 1, chart.rows};
  std::optional<Staggered> best;
  double best_right = 0.0;
  Extent seen;
  Lattice turn = lattice;
  int matches = 0;
  for (int quarter = 0; quarter < 4; ++quarter) {
    Staggered rows = staggered(turn);
    if (quarter == 0) seen = {(rows.extent.columns + 1) / 2, rows.extent.rows};
    const bool match = !chart.grid_known() ||
                       (rows.extent.columns == wanted.columns && rows.extent.rows == wanted.rows);
    const double right = x_to_the_right(rows.rows);
    if (match) ++matches;
    if (match && (!best || right > best_right)) {
      best_right = right;
      best = std::move(rows);
    }
    turn = turned(turn, Colours::kAlike);
  }
  if (!best) return other_grid(kind, lattice.size(), seen, {chart.columns, chart.rows});
  if (chart.grid_known() &&
      lattice.size() < (1.0 - options.max_lost_share) * chart.columns * chart.rows)
    return other_grid(kind, lattice.size(), {1, 1}, {chart.columns, chart.rows});
  Detection detection;
  detection.corners = corners_of(best->rows, 0.5 * chart.pitch_mm);
  if (chart.grid_known() && matches == 1) detection.origin = Origin::kMarked;
  return detection;
}

Result<Detection> finish_square(const Lattice& lattice,
                                const MarkKind& kind,
                                const Chart& chart,
                                const DetectOptions& options) {
  Extent extent = extent_of(lattice);
  if (chart.grid_known()) {
    const Extent wanted{chart.columns, chart.rows};
    if (!same_grid(extent, wanted) ||
        lattice.size() < (1.0 - options.max_lost_share) * wanted.columns * wanted.rows)
      return other_grid(kind, lattice.size(), extent, wanted);
    extent = wanted;
  }
  const Lattice turned_lattice = oriented(lattice, extent, Colours::kAlike);
  Rows rows;
  for (const auto& [place, node] : turned_lattice.nodes()) rows[{place.second, place.first}] = node;
  Detection detection;
  detection.corners = corners_of(rows, chart.pitch_mm);
  return detection;
}

}  // namespace

Result<Detection> finish_marks(const FoundMarks& found,
                               const MarkKind& kind,
                               const Chart& chart,
                               const DetectOptions& options) {
  const bool is_staggered = chart.kind == ChartKind::kDotsStaggered;
  const Lattice lattice = is_staggered         ? without_far_strays(found.lattice)
                          : chart.grid_known() ? trimmed(found.lattice)
                                               : without_strays(found.lattice);
  const Extent extent = extent_of(lattice);
  if (!chart.grid_known() && (lattice.size() < kMinFreePoints || extent.columns < kMinFreeSide ||
                              extent.rows < kMinFreeSide))
    return too_few_free(kind, lattice.size());
  Result<Detection> detection = is_staggered ? finish_staggered(lattice, kind, chart, options)
                                             : finish_square(lattice, kind, chart, options);
  if (!detection) return detection;
  detection->num_dropped_pieces = found.num_dropped_pieces;
  detection->num_dropped_corners = static_cast<int>(found.dropped_px.size());
  detection->dropped_px = found.dropped_px;
  detection->blur_px = looks_of(lattice).blur_px;
  note_dropped(*detection, kind.noun);
  return detection;
}

}  // namespace trueplate::target::detail
