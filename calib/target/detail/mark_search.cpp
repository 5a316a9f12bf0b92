#include "calib/target/detail/mark_search.h"

#include <Eigen/Cholesky>
#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "calib/target/detail/blob_lattice.h"
#include "calib/target/detail/corner_candidates.h"
#include "calib/target/detail/join.h"
#include "calib/target/detail/lattice_shape.h"
#include "calib/target/detail/seams.h"
#include "calib/target/detail/search_image.h"

namespace trueplate::target::detail {
namespace {

constexpr double kMaxOffPlace = 0.12;  // departure from what the neighbours say, share of a step
constexpr int kMostBlobs = 20000;
constexpr std::size_t kMostPieces = 8;  // of one copy of the image that are measured
constexpr int kMinPieceNodes = 6;
constexpr int kMinStartNodes = 4;
constexpr int kSampleNodes = 12;
constexpr double kMinSampleShare = 0.3;

// The sign that most contrasts have.
double common_sign(const Lattice& lattice) {
  int sum = 0;
  for (const auto& [place, node] : lattice.nodes()) sum += node.contrast > 0.0 ? 1 : -1;
  return sum >= 0 ? 1.0 : -1.0;
}

// The probe, for nodes of one colour.
Probe of_colour(Probe probe, double sign) {
  return [probe = std::move(probe), sign](
             Place place, const Prediction& at, const Looks& looks) -> std::optional<Node> {
    auto node = probe(place, at, looks);
    if (node && node->contrast * sign < 0.0) return std::nullopt;
    return node;
  };
}

Lattice without_colour(const Lattice& lattice, double sign) {
  Lattice result;
  for (const auto& [place, node] : lattice.nodes())
    if (node.contrast * sign >= 0.0) result.set(place, node);
  return result;
}

// Whether enough of some nodes, spread over the lattice, are confirmed: a lattice of something else
// ends here, before all of it is measured.
bool sample_confirms(const Lattice& lattice, const Probe& probe) {
  const int every = std::max(1, lattice.size() / kSampleNodes);
  int index = 0;
  int tried = 0;
  int confirmed = 0;
  for (const auto& [place, node] : lattice.nodes()) {
    if (index++ % every != 0) continue;
    auto at = predict(lattice, place, OwnNode::kUse);
    if (!at) continue;
    at->p_px = node.p_px;
    ++tried;
    if (probe(place, *at, looks_near(lattice, place, 1))) ++confirmed;
  }
  return confirmed > kMinSampleShare * tried;
}

// The lattice itself or, where the search took a diagonal of the grid for one of its steps, the one
// of the four sheared ones that is confirmed.
std::optional<Lattice> unsheared(const Lattice& lattice, const Probe& probe) {
  if (sample_confirms(lattice, probe)) return lattice;
  for (const int shear : {1, -1}) {
    Lattice along_u, along_v;
    for (const auto& [place, node] : lattice.nodes()) {
      along_u.set({place.first, place.second + shear * place.first}, node);
      along_v.set({place.first + shear * place.second, place.second}, node);
    }
    for (const Lattice* sheared : {&along_u, &along_v})
      if (sample_confirms(*sheared, probe)) return *sheared;
  }
  return std::nullopt;
}

// A piece found on a reduced copy, measured on the image and grown there. Twice, since the first
// measurement knows the bends of the grid only roughly.
Lattice measured(const Lattice& rough, int factor, const Probe& any_colour) {
  Lattice start = scaled(rough, factor);
  // Contrasts of the search are of another unit.
  {
    Lattice plain;
    for (const auto& [place, old] : start.nodes()) {
      Node node = old;
      node.contrast = 0.0;
      plain.set(place, node);
    }
    start = std::move(plain);
  }
  const std::optional<Lattice> confirmed = unsheared(start, any_colour);
  if (!confirmed) return {};
  Lattice lattice = measured_again(*confirmed, any_colour);
  if (lattice.size() < kMinStartNodes) return {};
  const double sign = common_sign(lattice);
  const Probe probe = of_colour(any_colour, sign);
  lattice = without_contradictions(without_colour(lattice, sign), kMaxOffPlace);
  if (lattice.size() < kMinStartNodes) return {};
  grow(lattice, probe);
  return lattice;
}

// The second derivatives at a place from a cubic surface: near the chart's border, where neighbours
// stand on one side only, a quadratic one mixes up second and third derivatives, and these decide
// where the image of a dot's centre lies. The prediction's own where nodes are few.
void refine_bends(const Lattice& lattice, Place place, Prediction& at) {
  constexpr int kTerms = 10;
  constexpr int kReach = 3;
  constexpr int kMinNodes = 15;
  constexpr double kScale = 2.2;  // columns or rows; the Gaussian weight of a neighbour
  constexpr double kStiffness = 1e-4;
  using Basis = Eigen::Matrix<double, kTerms, 1>;
  Eigen::Matrix<double, kTerms, kTerms> normal = Eigen::Matrix<double, kTerms, kTerms>::Zero();
  Eigen::Matrix<double, kTerms, 2> right = Eigen::Matrix<double, kTerms, 2>::Zero();
  int count = 0;
  for (int i = -kReach; i <= kReach; ++i) {
    for (int j = -kReach; j <= kReach; ++j) {
      const Node* node = lattice.find({place.first + i, place.second + j});
      if (node == nullptr) continue;
      const double a = i;
      const double b = j;
      Basis v;
      v << 1.0, a, b, 0.5 * a * a, a * b, 0.5 * b * b, a * a * a / 6.0, 0.5 * a * a * b,
          0.5 * a * b * b, b * b * b / 6.0;
      const double weight = std::exp(-0.5 * (a * a + b * b) / (kScale * kScale));
      normal.noalias() += weight * v * v.transpose();
      right.noalias() += weight * v * (node->p_px - at.p_px).transpose();
      ++count;
    }
  }
  if (count < kMinNodes) return;
  normal.diagonal().tail<4>().array() += kStiffness;
  const Eigen::Matrix<double, kTerms, 2> solution = normal.ldlt().solve(right);
  if (!solution.allFinite()) return;
  at.step_u_px = solution.row(1);
  at.step_v_px = solution.row(2);
  at.bend_uu_px = solution.row(3);
  at.bend_uv_px = solution.row(4);
  at.bend_vv_px = solution.row(5);
}

// The last measurement, with the best bends there are. Drops nodes that are several times less
// certain than those around them: something covers a part of the mark.
Lattice measured_at_last(const Lattice& lattice, const Probe& probe, const MarkKind& kind) {
  constexpr int kReach = 2;
  constexpr std::size_t kMinNeighbours = 4;
  Lattice measured;
  for (const auto& [place, node] : lattice.nodes()) {
    auto at = predict(lattice, place, OwnNode::kUse);
    if (!at) continue;
    at->p_px = node.p_px;
    refine_bends(lattice, place, *at);
    if (const auto again = probe(place, *at, looks_near(lattice, place, 1)))
      measured.set(place, *again);
  }
  Lattice result;
  for (const auto& [place, node] : measured.nodes()) {
    std::vector<double> sigmas;
    for (int i = -kReach; i <= kReach; ++i)
      for (int j = -kReach; j <= kReach; ++j)
        if (const Node* other = measured.find({place.first + i, place.second + j});
            other != nullptr && other != &node)
          sigmas.push_back(other->sigma_px());
    if (sigmas.size() >= kMinNeighbours) {
      const auto middle = sigmas.begin() + static_cast<std::ptrdiff_t>(sigmas.size() / 2);
      std::nth_element(sigmas.begin(), middle, sigmas.end());
      if (node.sigma_px() > std::max(kind.plain_sigma_px, kind.most_sigma_ratio * *middle))
        continue;
    }
    result.set(place, node);
  }
  return result;
}

bool covers(const Lattice& whole, const Lattice& part) {
  int same = 0;
  for (const auto& [place, node] : part.nodes()) {
    for (const auto& [other_place, other] : whole.nodes()) {
      if ((node.p_px - other.p_px).squaredNorm() > 4.0) continue;
      ++same;
      break;
    }
  }
  return 2 * same > part.size();
}

// The largest piece with every other that certainly belongs to it.
FoundMarks join_pieces(std::vector<Lattice> pieces,
                       const Probe& any_colour,
                       const Probe& best_probe,
                       const MarkKind& kind) {
  std::stable_sort(pieces.begin(), pieces.end(), [](const Lattice& a, const Lattice& b) {
    return a.size() > b.size();
  });
  FoundMarks found;
  if (pieces.empty()) return found;
  found.lattice = std::move(pieces.front());
  pieces.erase(pieces.begin());
  const double sign = common_sign(found.lattice);
  bool joined_any = false;
  // A joined piece may be the bridge to another.
  for (bool grown = true; grown;) {
    grown = false;
    for (auto piece = pieces.begin(); piece != pieces.end();) {
      std::optional<Lattice> both;
      if (covers(found.lattice, *piece)) {
        piece = pieces.erase(piece);
        continue;
      }
      if (common_sign(*piece) == sign) both = joined(found.lattice, *piece, Colours::kAlike);
      if (both) {
        found.lattice = std::move(*both);
        piece = pieces.erase(piece);
        grown = joined_any = true;
      } else {
        ++piece;
      }
    }
  }
  const Probe probe = of_colour(any_colour, sign);
  if (joined_any) {
    found.lattice = measured_again(found.lattice, probe);
    grow(found.lattice, probe);
  }
  EvenParts parts = cut_at_seams(measured_at_last(
      without_contradictions(found.lattice, kMaxOffPlace), of_colour(best_probe, sign), kind));
  found.lattice = std::move(parts.largest);
  pieces.insert(pieces.end(), parts.others.begin(), parts.others.end());
  for (const Lattice& piece : pieces) {
    if (covers(found.lattice, piece)) continue;
    ++found.num_dropped_pieces;
    for (const auto& [place, node] : piece.nodes()) found.dropped_px.push_back(node.p_px);
  }
  return found;
}

}  // namespace

FoundMarks search_marks(ImageView<const float> luma,
                        const MarkKind& kind,
                        int search_side_px,
                        int enough) {
  const Probe probe = kind.probe(luma, Effort::kSearch);
  const Probe best_probe = kind.probe(luma, Effort::kBest);
  FoundMarks best;
  for (const int factor : search_factors(luma, search_side_px)) {
    const Image<float> reduced = reduce(luma, factor);
    const Image<float> toned_image = toned(reduced.view());
    std::vector<Lattice> pieces;
    for (const Tone tone : {Tone::kDark, Tone::kLight}) {
      const auto blobs = find_blobs(toned_image.view(), tone, kind.regions, kMostBlobs);
      std::vector<Lattice> rough = blob_lattices(blobs);
      if (rough.size() > kMostPieces) rough.resize(kMostPieces);
      for (Lattice& piece : rough) {
        if (kind.regions == Regions::kFields) piece = between_nodes(piece);
        Lattice lattice = measured(piece, factor, probe);
        if (lattice.size() >= kMinPieceNodes) pieces.push_back(std::move(lattice));
      }
    }
    FoundMarks found = join_pieces(std::move(pieces), probe, best_probe, kind);
    if (found.lattice.size() > best.lattice.size()) best = std::move(found);
    if (best.lattice.size() >= std::min(enough, kPlentyNodes)) break;
  }
  return best;
}

}  // namespace trueplate::target::detail
