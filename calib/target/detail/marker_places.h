#pragma once

#include <compare>
#include <vector>

#include "calib/target/detail/lattice.h"
#include "calib/target/detail/marker_reader.h"

namespace trueplate::target::detail {

/// From the places of a lattice to those of the chart, corner (0, 0) as coded_layout.h has it:
/// `turns` quarter turns (column, row) -> (row, -column), then a shift.
struct Placement {
  int turns = 0;
  int columns = 0;
  int rows = 0;

  friend auto operator<=>(const Placement&, const Placement&) = default;
};

[[nodiscard]] Place on_chart(const Placement& placement, Place place);
[[nodiscard]] Lattice on_chart(const Placement& placement, const Lattice& lattice);

/// The placement that puts the square of a read where its marker stands.
[[nodiscard]] Placement placement_of(const MarkerRead& read);

/// Pieces of a chart on one lattice whose places are those of the chart.
struct PlacedPieces {
  Lattice lattice;
  std::vector<int> ids;          // of the markers that placed them, growing
  std::vector<Lattice> dropped;  // pieces that could not be placed
};

/// Places pieces, the largest first, by the markers on them. A placement holds for a piece when
/// kMinAgreeing or more of its markers say so. Where others contradict, the piece has skipped a
/// row or strayed: then only corners of the squares whose markers said so are taken, under each
/// placement that holds. A piece without such a placement is joined to the others where join.h is
/// certain of it. Pieces on top of others are passed over; one that puts another corner in a place
/// already taken (a second print) is dropped.
PlacedPieces place_by_markers(const std::vector<Lattice>& pieces, MarkerReader& reader);
inline constexpr int kMinAgreeing = 2;
/// And this share of all markers read on the piece.
inline constexpr double kMinAgreeingShare = 0.25;

/// A lattice with the chart's places without the corners of squares whose markers belong
/// elsewhere.
struct CheckedLattice {
  Lattice lattice;
  int num_agreeing = 0;  // markers
  int num_elsewhere = 0;
};
CheckedLattice without_disagreeing(const Lattice& lattice, MarkerReader& reader);

}  // namespace trueplate::target::detail
