#include "calib/target/detail/lattice_shape.h"

#include <algorithm>
#include <array>
#include <optional>
#include <utility>

#include "calib/target/detail/smooth_grid.h"

namespace trueplate::target::detail {
namespace {

constexpr double kMinOccupied = 0.5;  // of a border row or column that counts as one

Lattice moved_to_origin(const Lattice& lattice) {
  const auto low = lattice.bounds().first;
  Lattice result;
  for (const auto& [place, saddle] : lattice.saddles())
    result.set(place.first - low.first, place.second - low.second, saddle);
  return result;
}

double x_to_the_right(const Lattice& lattice, Extent extent) {
  const auto smooth = SmoothGrid::fit(lattice.points());
  if (!smooth) return 0.0;
  const Point2d step = smooth->step_u(0.5 * (extent.columns - 1), 0.5 * (extent.rows - 1));
  return step.x() / std::max(1e-12, step.norm());
}

// A quarter turn of a lattice whose places begin at 0; right-handed stays right-handed. The sector
// between the new axes is the old one's neighbour, so the sign of the contrast changes.
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

}  // namespace

bool same_grid(Extent a, Extent b) {
  return (a.columns == b.columns && a.rows == b.rows) ||
         (a.columns == b.rows && a.rows == b.columns);
}

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
    result.set(column - low.first, row - low.second, saddle);
  }
  return result;
}

Extent extent_of(const Lattice& lattice) {
  if (lattice.size() == 0) return {};
  const auto [low, high] = lattice.bounds();
  return {high.first - low.first + 1, high.second - low.second + 1};
}

Lattice without_strays(const Lattice& lattice) {
  Lattice result = lattice;
  for (;;) {
    std::vector<Lattice::Place> strays;
    for (const auto& [place, saddle] : result.saddles()) {
      const auto [column, row] = place;
      const auto taken = [&](int c, int r) { return result.find(column + c, row + r) != nullptr; };
      // Part of a square of four: only then do two directions vouch for it.
      bool in_square = false;
      for (const int c : {-1, 1})
        for (const int r : {-1, 1}) in_square |= taken(c, 0) && taken(0, r) && taken(c, r);
      if (!in_square) strays.push_back(place);
    }
    if (strays.empty()) return moved_to_origin(result);
    for (const auto& [column, row] : strays) result.erase(column, row);
  }
}

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

}  // namespace trueplate::target::detail
