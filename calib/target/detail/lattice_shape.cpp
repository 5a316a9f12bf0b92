#include "calib/target/detail/lattice_shape.h"

#include <algorithm>
#include <array>
#include <optional>
#include <utility>
#include <vector>

namespace trueplate::target::detail {
namespace {

constexpr double kMinOccupied = 0.5;  // of a border row or column that counts as one

// Cosine of the angle between the mean step along a row and the screen's x.
double x_to_the_right(const Lattice& lattice) {
  Point2d sum(0.0, 0.0);
  for (const auto& [place, node] : lattice.nodes())
    if (const Node* next = lattice.find({place.first + 1, place.second}))
      sum += next->p_px - node.p_px;
  return sum.x() / std::max(1e-12, sum.norm());
}

}  // namespace

bool same_grid(Extent a, Extent b) {
  return (a.columns == b.columns && a.rows == b.rows) ||
         (a.columns == b.rows && a.rows == b.columns);
}

bool has_colours(const Node& node, Place place, int parity) {
  const int expected = (place.first + place.second) % 2 == 0 ? parity : -parity;
  return (node.contrast > 0.0) == (expected > 0);
}

int parity_of(const Lattice& lattice) {
  int sum = 0;
  for (const auto& [place, node] : lattice.nodes()) sum += has_colours(node, place, 1) ? 1 : -1;
  return sum >= 0 ? 1 : -1;
}

Lattice moved(const Lattice& lattice, int columns, int rows) {
  Lattice result;
  for (const auto& [place, node] : lattice.nodes())
    result.set({place.first + columns, place.second + rows}, node);
  return result;
}

Lattice moved_to_origin(const Lattice& lattice) {
  const Place low = lattice.bounds().first;
  return moved(lattice, -low.first, -low.second);
}

Node turned(const Node& node, Colours colours) {
  Node result = node;
  if (colours == Colours::kAlternate) result.contrast = -node.contrast;
  result.direction_u = node.direction_v;
  result.direction_v = -node.direction_u;
  return result;
}

Lattice turned(const Lattice& lattice, Colours colours) {
  const int last_column = lattice.bounds().second.first;
  Lattice result;
  for (const auto& [place, node] : lattice.nodes())
    result.set({place.second, last_column - place.first}, turned(node, colours));
  return result;
}

Lattice trimmed(const Lattice& lattice) {
  auto [low, high] = lattice.bounds();
  const auto occupied = [&](int c0, int c1, int r0, int r1) {
    int count = 0;
    for (int row = r0; row <= r1; ++row)
      for (int column = c0; column <= c1; ++column)
        if (lattice.find({column, row}) != nullptr) ++count;
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
  for (const auto& [place, node] : lattice.nodes()) {
    const auto [column, row] = place;
    if (column < low.first || column > high.first || row < low.second || row > high.second)
      continue;
    result.set({column - low.first, row - low.second}, node);
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
    std::vector<Place> strays;
    for (const auto& entry : result.nodes()) {
      const Place place = entry.first;  // Clang 14 cannot capture a structured binding
      const auto taken = [&](int c, int r) {
        return result.find({place.first + c, place.second + r}) != nullptr;
      };
      // Part of a square of four: only then do two directions vouch for it.
      bool in_square = false;
      for (const int c : {-1, 1})
        for (const int r : {-1, 1}) in_square |= taken(c, 0) && taken(0, r) && taken(c, r);
      if (!in_square) strays.push_back(place);
    }
    if (strays.empty()) return result;
    for (const Place& place : strays) result.erase(place);
  }
}

Lattice oriented(const Lattice& lattice, Extent wanted, Colours colours) {
  std::optional<Lattice> best;
  std::pair<bool, double> best_rank;
  Lattice turn = moved_to_origin(lattice);
  Extent extent = wanted;
  if (extent_of(lattice).columns != wanted.columns) std::swap(extent.columns, extent.rows);
  for (int quarter = 0; quarter < 4; ++quarter) {
    if (extent.columns == wanted.columns && extent.rows == wanted.rows) {
      const bool dark = colours == Colours::kAlternate && parity_of(turn) < 0;
      const std::pair rank(dark, x_to_the_right(turn));
      if (!best || rank > best_rank) {
        best = turn;
        best_rank = rank;
      }
    }
    turn = turned(turn, colours);
    std::swap(extent.columns, extent.rows);
  }
  return best.value_or(lattice);
}

}  // namespace trueplate::target::detail
