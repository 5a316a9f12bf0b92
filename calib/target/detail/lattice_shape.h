#pragma once

#include "calib/target/detail/lattice.h"

namespace trueplate::target::detail {

struct Extent {
  int columns = 0;
  int rows = 0;
};

/// Whether the contrast changes its sign from node to node (a checkerboard) or not.
enum class Colours { kAlternate, kAlike };

/// Whether two grids are the same board, turned or not.
[[nodiscard]] bool same_grid(Extent a, Extent b);

/// Size of the box that holds all places; 0 x 0 for an empty lattice.
Extent extent_of(const Lattice& lattice);

/// With alternating colours: +1 or -1, the sign of the contrast at even places, by majority.
[[nodiscard]] int parity_of(const Lattice& lattice);
/// Whether `node` has the colours a corner at `place` of a lattice of `parity` has.
[[nodiscard]] bool has_colours(const Node& node, Place place, int parity);

/// All places moved by (columns, rows).
Lattice moved(const Lattice& lattice, int columns, int rows);
/// Moved so that the smallest column and row are 0.
Lattice moved_to_origin(const Lattice& lattice);

/// A node as seen after a quarter turn, see below.
Node turned(const Node& node, Colours colours);
/// A quarter turn of a lattice; right-handed stays right-handed. Its places begin at 0 if those of
/// `lattice` do. The sector between the new axes of an alternating lattice is the old one's
/// neighbour, so the sign of the contrast changes.
Lattice turned(const Lattice& lattice, Colours colours);

/// Cuts off border rows and columns that hold less than half of their places, such as a stray
/// node beside the chart, and moves the smallest column and row to 0.
Lattice trimmed(const Lattice& lattice);

/// Drops nodes that are not part of a square of four. Keeps the ragged border of a chart that runs
/// off the frame.
Lattice without_strays(const Lattice& lattice);

/// The lattice turned by quarter turns to the wanted extent (its own, or that transposed). Of the
/// turns that do: with alternating colours, one with a dark outer corner square at the origin if
/// there is one, and of these the one whose x points most to the right. Its places begin at 0.
Lattice oriented(const Lattice& lattice, Extent wanted, Colours colours);

}  // namespace trueplate::target::detail
