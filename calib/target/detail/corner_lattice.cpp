#include "calib/target/detail/corner_lattice.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "calib/target/detail/corner_candidates.h"
#include "calib/target/detail/corner_probe.h"
#include "calib/target/detail/corner_seeds.h"
#include "calib/target/detail/grow.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/saddle.h"

namespace trueplate::target::detail {
namespace {

constexpr int kMostCandidates = 3000;
constexpr int kMostSeeds = 300;
// A search needs the corner's nature, not its last digit.
SaddleOptions search_options(double clear_share) {
  return {
      .max_reach_px = 7.0, .max_move_share = 0.25, .max_misfit = 0.3, .clear_share = clear_share};
}

// The seed's four corners, measured; empty unless all are corners of alternating colour.
Lattice measure_seed(ImageView<const float> image,
                     const std::vector<CornerCandidate>& candidates,
                     const std::array<int, 4>& seed,
                     const SaddleOptions& options) {
  std::array<Point2d, 4> p;
  for (std::size_t i = 0; i < 4; ++i) p[i] = candidates[static_cast<std::size_t>(seed[i])].p_px;
  const std::array<Point2d, 4> u = {p[1] - p[0], p[1] - p[0], p[3] - p[2], p[3] - p[2]};
  const std::array<Point2d, 4> v = {p[2] - p[0], p[3] - p[1], p[2] - p[0], p[3] - p[1]};
  Lattice lattice;
  for (int i = 0; i < 4; ++i) {
    const auto n = static_cast<std::size_t>(i);
    const auto saddle =
        fit_saddle(image, {.p_px = p[n], .step_u_px = u[n], .step_v_px = v[n]}, options);
    if (!saddle) return {};
    lattice.set({i % 2, i / 2}, node_of(*saddle));
  }
  const int parity = parity_of(lattice);
  for (const auto& [place, node] : lattice.nodes())
    if (!has_colours(node, place, parity)) return {};
  return lattice;
}

}  // namespace

std::vector<Lattice> corner_lattices(ImageView<const float> image, int enough, double clear_share) {
  const SaddleOptions options = search_options(clear_share);
  const Image<float> toned_image = toned(image);
  const auto candidates = corner_candidates(toned_image.view(), kMostCandidates);
  CornerSeeds seeds(toned_image.view(), candidates);
  std::vector<Lattice> lattices;
  std::vector<bool> used(candidates.size(), false);
  int num_seeds = 0;
  bool done = false;
  for (std::size_t i = 0; i < candidates.size() && num_seeds < kMostSeeds && !done; ++i) {
    for (int ray = 0; ray < 4 && !used[i] && !done; ++ray) {
      const auto seed = seeds.square(static_cast<int>(i), ray);
      if (!seed) continue;
      ++num_seeds;
      Lattice lattice = measure_seed(image, candidates, *seed, options);
      if (lattice.size() == 0) continue;
      grow(lattice, corner_probe(image, parity_of(lattice), options));
      // What this lattice covers is no seed of another.
      for (std::size_t k = 0; k < candidates.size(); ++k) {
        if (used[k]) continue;
        for (const auto& [place, node] : lattice.nodes())
          if ((node.p_px - candidates[k].p_px).squaredNorm() < 9.0) used[k] = true;
      }
      done = lattice.size() >= enough;
      if (lattice.size() >= kMinPieceNodes) lattices.push_back(std::move(lattice));
    }
  }
  std::stable_sort(lattices.begin(), lattices.end(), [](const Lattice& a, const Lattice& b) {
    return a.size() > b.size();
  });
  return lattices;
}

}  // namespace trueplate::target::detail
