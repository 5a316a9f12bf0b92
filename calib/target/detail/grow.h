#pragma once

#include <functional>
#include <optional>
#include <vector>

#include "calib/target/detail/lattice.h"
#include "calib/target/detail/predict.h"

namespace trueplate::target::detail {

/// Measures the node at a place near a predicted position, with the looks of its neighbourhood.
/// Nullopt when there is none: that decision, colours included, is the kind's own.
using Probe =
    std::function<std::optional<Node>(Place place, const Prediction& at, const Looks& looks)>;

/// How much a measurement may cost: for a search a share of the pixels suffices.
enum class Effort { kSearch, kBest };

struct GrowOptions {
  int most_nodes = 20000;
  /// Farthest a measured node may lie from its predicted place, share of a step (a pixel is always
  /// allowed).
  double max_off_place = 0.2;
};

/// Adds nodes beside those there are, generation by generation, until no probe finds one. A node
/// is refused where the lattice already has another node: it would be the same one under two
/// indices. Starts from at least a square of four.
void grow(Lattice& lattice, const Probe& probe, const GrowOptions& options = {});

/// Measures every node again, at its own place with the steps and bends its neighbourhood gives
/// (on a larger image: scale the lattice first). Nodes that fail are dropped.
Lattice measured_again(const Lattice& lattice, const Probe& probe);

/// The lattice at `factor` times the size.
Lattice scaled(const Lattice& lattice, double factor);

/// Takes out what contradicts its neighbours, worst first: a node farther than `max_off_place`
/// steps from where all the others around it put it. What a lattice that skipped a row somewhere
/// leaves behind falls here as well, since its steps do not fit.
Lattice without_contradictions(const Lattice& lattice, double max_off_place);

/// Finds what its surroundings measure far better, a node whose sigma is `factor` times the median
/// of its neighbours' and above `least_px`: something covers a part of it, and the model of its
/// pixels is wrong there by more than sigma tells (blur and light change slowly). It is measured
/// again by `nearer`, which should use a smaller window, and taken out if that does not help.
Lattice without_doubtful(const Lattice& lattice,
                         double factor,
                         double least_px,
                         const Probe& nearer);

/// Splits into parts connected along rows and columns, the largest first.
std::vector<Lattice> connected_parts(const Lattice& lattice);

}  // namespace trueplate::target::detail
