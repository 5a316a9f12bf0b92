#pragma once

#include "calib/target/detail/lattice.h"

namespace trueplate::target::detail {

struct Extent {
  int columns = 0;
  int rows = 0;
};

/// Whether two grids are the same board, turned or not.
[[nodiscard]] bool same_grid(Extent a, Extent b);

/// Size of the box that holds all places; 0 x 0 for an empty lattice.
Extent extent_of(const Lattice& lattice);

/// Cuts off border rows and columns that hold less than half of their places, such as a stray
/// crossing beside the chart, and moves the smallest column and row to 0.
Lattice trimmed(const Lattice& lattice);

/// Drops crossings that are not part of a square of four, and moves the smallest column and row
/// to 0. Keeps the ragged border of a chart that runs off the frame.
Lattice without_strays(const Lattice& lattice);

/// The lattice turned by quarter turns to the wanted extent (its own, or that transposed). Of the
/// turns that do: one with a dark outer corner square at the origin if there is one, and of these
/// the one whose x points most to the right. Its places begin at 0.
Lattice oriented(const Lattice& lattice, Extent wanted);

}  // namespace trueplate::target::detail
