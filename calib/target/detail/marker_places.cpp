#include "calib/target/detail/marker_places.h"

#include <algorithm>
#include <array>
#include <map>
#include <optional>
#include <utility>

#include "calib/target/coded_layout.h"
#include "calib/target/detail/corner_search.h"
#include "calib/target/detail/join.h"
#include "calib/target/detail/predict.h"

namespace trueplate::target::detail {
namespace {

using ReadsByPlacement = std::map<Placement, std::vector<MarkerRead>>;

Place quarter_turns(Place place, int turns) {
  for (int i = 0; i < turns; ++i) place = {place.second, -place.first};
  return place;
}

std::array<Place, 4> corners_of(Place square) {
  const auto [column, row] = square;
  return {{{column, row}, {column + 1, row}, {column, row + 1}, {column + 1, row + 1}}};
}

/// The corners of the squares that were read.
Lattice vouched(const Lattice& piece, const std::vector<MarkerRead>& reads) {
  Lattice result;
  for (const MarkerRead& read : reads)
    for (const Place& place : corners_of(read.square)) result.set(place, *piece.find(place));
  return result;
}

/// Whether most corners that `added` and `lattice` both have lie in different places.
bool contradicts(const Lattice& added, const Lattice& lattice) {
  int shared = 0;
  int apart = 0;
  for (const auto& [place, node] : added.nodes()) {
    const Node* other = lattice.find(place);
    const auto at = other != nullptr ? predict(lattice, place, OwnNode::kUse) : std::nullopt;
    if (!at) continue;
    ++shared;
    if ((node.p_px - other->p_px).norm() > 0.5 * at->square_px()) ++apart;
  }
  return 2 * apart > shared;
}

/// Adds the corners of places that are free; false, and nothing added, for a second print.
bool add(const Lattice& added, Lattice& lattice) {
  if (contradicts(added, lattice)) return false;
  for (const auto& [place, node] : added.nodes())
    if (lattice.find(place) == nullptr) lattice.set(place, node);
  return true;
}

ReadsByPlacement by_placement(const std::vector<MarkerRead>& reads) {
  ReadsByPlacement result;
  for (const MarkerRead& read : reads) result[placement_of(read)].push_back(read);
  return result;
}

/// Places one piece; false when none of it could be.
bool place_piece(const Lattice& piece, MarkerReader& reader, PlacedPieces& placed) {
  const std::vector<MarkerRead> reads = reader.read(piece);
  const ReadsByPlacement groups = by_placement(reads);
  const auto least =
      std::max<double>(kMinAgreeing, kMinAgreeingShare * static_cast<double>(reads.size()));
  bool any = false;
  for (const auto& [placement, group] : groups) {
    if (static_cast<double>(group.size()) < least) continue;
    const Lattice part = groups.size() == 1 ? piece : vouched(piece, group);
    if (!add(on_chart(placement, part), placed.lattice)) continue;
    any = true;
    for (const MarkerRead& read : group) placed.ids.push_back(read.id);
  }
  return any;
}

/// Joins pieces without markers of their own where that is certain.
void join_rest(std::vector<Lattice> rest, PlacedPieces& placed) {
  // A joined piece may be the bridge to another.
  for (bool grown = true; grown;) {
    grown = false;
    for (auto piece = rest.begin(); piece != rest.end();) {
      if (lies_on(*piece, placed.lattice)) {
        piece = rest.erase(piece);
      } else if (auto both = joined(placed.lattice, *piece, Colours::kAlternate)) {
        placed.lattice = std::move(*both);
        piece = rest.erase(piece);
        grown = true;
      } else {
        ++piece;
      }
    }
  }
  placed.dropped = std::move(rest);
}

}  // namespace

Place on_chart(const Placement& placement, Place place) {
  const Place turned_place = quarter_turns(place, placement.turns);
  return {turned_place.first + placement.columns, turned_place.second + placement.rows};
}

Lattice on_chart(const Placement& placement, const Lattice& lattice) {
  Lattice result;
  for (const auto& [place, old] : lattice.nodes()) {
    Node node = old;
    for (int i = 0; i < placement.turns; ++i) node = turned(node, Colours::kAlternate);
    result.set(on_chart(placement, place), node);
  }
  return result;
}

Placement placement_of(const MarkerRead& read) {
  const ChartSquare square = coded_square(read.id);
  // Twice the middles: that of chart square (i, j) is (2 i - 1, 2 j - 1).
  const Place middle =
      quarter_turns({2 * read.square.first + 1, 2 * read.square.second + 1}, read.turns);
  return {.turns = read.turns,
          .columns = (2 * square.column - 1 - middle.first) / 2,
          .rows = (2 * square.row - 1 - middle.second) / 2};
}

PlacedPieces place_by_markers(const std::vector<Lattice>& pieces, MarkerReader& reader) {
  PlacedPieces placed;
  std::vector<Lattice> rest;
  for (const Lattice& piece : pieces) {
    if (lies_on(piece, placed.lattice)) continue;
    if (!place_piece(piece, reader, placed)) rest.push_back(piece);
  }
  std::sort(placed.ids.begin(), placed.ids.end());
  if (placed.lattice.size() > 0) join_rest(std::move(rest), placed);
  return placed;
}

CheckedLattice without_disagreeing(const Lattice& lattice, MarkerReader& reader) {
  CheckedLattice checked{.lattice = lattice};
  for (const MarkerRead& read : reader.read(lattice)) {
    if (placement_of(read) == Placement{}) {
      ++checked.num_agreeing;
      continue;
    }
    ++checked.num_elsewhere;
    for (const Place& place : corners_of(read.square)) checked.lattice.erase(place);
  }
  return checked;
}

}  // namespace trueplate::target::detail
