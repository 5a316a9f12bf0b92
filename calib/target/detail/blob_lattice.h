#pragma once

#include <vector>

#include "calib/target/detail/blobs.h"
#include "calib/target/detail/lattice.h"

namespace trueplate::target::detail {

/// The parts of square grids among blobs, the largest first, each with kMinPieceBlobs or more.
///
/// A blob's own moments tell how its surroundings are squeezed and tilted: seen so that the blob is
/// round, the nearest blobs of a square grid stand at equal distances at right angles. A blob with
/// eight neighbours in place, one of which may be absent, is a seed, which grows by predicting the
/// next places and taking the blob found there. Nodes carry the blobs' places and, as width_px, the
/// diameter of a disc of their area.
inline constexpr int kMinPieceBlobs = 8;
std::vector<Lattice> blob_lattices(const std::vector<Blob>& blobs);

/// The grid of the places between four nodes: (0, 0) lies between nodes (-1, -1) and (0, 0). Of the
/// crossings of lines, when the nodes are the fields the lines enclose.
Lattice between_nodes(const Lattice& lattice);

}  // namespace trueplate::target::detail
