#include "calib/target/detail/grow.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <map>
#include <set>
#include <unordered_map>
#include <utility>

namespace trueplate::target::detail {
namespace {

constexpr int kMostGenerations = 2000;
constexpr int kLooksReach = 3;
constexpr double kSamePlace = 0.5;    // of a step: nearer than this two nodes are one
constexpr double kProbeAgain = 0.05;  // of a step: how far a prediction moves to be tried again
constexpr std::array<Place, 4> kBeside = {{{1, 0}, {-1, 0}, {0, 1}, {0, -1}}};

Place beside(Place place, Place offset) {
  return {place.first + offset.first, place.second + offset.second};
}

/// Which positions are taken.
class Taken {
 public:
  void add(const Point2d& p) { cells_[key(cell(p.x()), cell(p.y()))].push_back(p); }

  [[nodiscard]] bool any_within(const Point2d& p, double radius) const {
    for (int y = cell(p.y() - radius); y <= cell(p.y() + radius); ++y) {
      for (int x = cell(p.x() - radius); x <= cell(p.x() + radius); ++x) {
        const auto found = cells_.find(key(x, y));
        if (found == cells_.end()) continue;
        for (const Point2d& q : found->second)
          if ((q - p).squaredNorm() < radius * radius) return true;
      }
    }
    return false;
  }

 private:
  static int cell(double coordinate) {
    return static_cast<int>(std::floor(std::clamp(coordinate, -1e6, 1e6) / 32.0));
  }
  static std::uint64_t key(int x, int y) {
    return (static_cast<std::uint64_t>(static_cast<std::uint32_t>(x)) << 32) |
           static_cast<std::uint32_t>(y);
  }
  std::unordered_map<std::uint64_t, std::vector<Point2d>> cells_;
};

}  // namespace

void grow(Lattice& lattice, const Probe& probe, const GrowOptions& options) {
  // Where a place was probed in vain; tried again only when the prediction has moved.
  std::map<Place, Point2d> failed;
  Taken taken;
  std::set<Place> frontier;
  const auto add_beside = [&](Place place) {
    for (const Place& offset : kBeside)
      if (const Place next = beside(place, offset); lattice.find(next) == nullptr)
        frontier.insert(next);
  };
  for (const auto& [place, node] : lattice.nodes()) {
    taken.add(node.p_px);
    add_beside(place);
  }
  for (int generation = 0; generation < kMostGenerations && !frontier.empty(); ++generation) {
    std::vector<std::pair<Place, Node>> found;
    for (const Place& place : frontier) {
      const auto at = predict(lattice, place, OwnNode::kLeaveOut);
      if (!at) continue;
      const double step = at->square_px();
      const auto before = failed.find(place);
      if (before != failed.end() && (before->second - at->p_px).norm() < kProbeAgain * step)
        continue;
      failed[place] = at->p_px;
      const auto node = probe(place, *at, looks_near(lattice, place, kLooksReach));
      if (!node) continue;
      if ((node->p_px - at->p_px).norm() > std::max(1.0, options.max_off_place * step)) continue;
      if (taken.any_within(node->p_px, kSamePlace * step)) continue;
      taken.add(node->p_px);
      found.emplace_back(place, *node);
    }
    frontier.clear();
    for (const auto& [place, node] : found) lattice.set(place, node);
    for (const auto& [place, node] : found) {
      // The new node changes the predictions of all places in reach.
      for (int a = -kPredictReach; a <= kPredictReach; ++a)
        for (int b = -kPredictReach; b <= kPredictReach; ++b)
          if (lattice.find(beside(place, {a, b})) != nullptr) add_beside(beside(place, {a, b}));
    }
    if (lattice.size() > options.most_nodes) return;
  }
}

Lattice measured_again(const Lattice& lattice, const Probe& probe) {
  Lattice result;
  for (const auto& [place, node] : lattice.nodes()) {
    auto at = predict(lattice, place, OwnNode::kUse);
    if (!at) continue;
    at->p_px = node.p_px;
    if (const auto again = probe(place, *at, looks_near(lattice, place, 1)))
      result.set(place, *again);
  }
  return result;
}

Lattice scaled(const Lattice& lattice, double factor) {
  Lattice result;
  for (const auto& [place, old] : lattice.nodes()) {
    Node node = old;
    node.p_px *= factor;
    node.covariance_px2 *= factor * factor;
    node.blur_px *= factor;
    node.width_px *= factor;
    result.set(place, node);
  }
  return result;
}

Lattice without_contradictions(const Lattice& lattice, double max_off_place) {
  Lattice result = lattice;
  const auto off_at = [&](Place place, const Node& node) {
    const auto at = predict(result, place, OwnNode::kLeaveOut);
    if (!at) return 0.0;
    return std::max(0.0, (node.p_px - at->p_px).norm() - 1.0) / at->square_px();
  };
  std::map<Place, double> off;
  for (const auto& [place, node] : result.nodes()) off[place] = off_at(place, node);
  for (;;) {
    const auto worst = std::max_element(
        off.begin(), off.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
    if (worst == off.end() || worst->second <= max_off_place) return result;
    const Place place = worst->first;
    result.erase(place);
    off.erase(place);
    for (int a = -kPredictReach; a <= kPredictReach; ++a) {
      for (int b = -kPredictReach; b <= kPredictReach; ++b) {
        const Place near = beside(place, {a, b});
        if (const Node* node = result.find(near)) off[near] = off_at(near, *node);
      }
    }
  }
}

Lattice without_doubtful(const Lattice& lattice,
                         double factor,
                         double least_px,
                         const Probe& nearer) {
  constexpr int kReach = 2;
  constexpr std::size_t kMinNeighbours = 5;
  Lattice result;
  for (const auto& [place, node] : lattice.nodes()) {
    std::vector<double> sigmas;
    for (int a = -kReach; a <= kReach; ++a)
      for (int b = -kReach; b <= kReach; ++b)
        if (const Node* near = lattice.find(beside(place, {a, b}));
            near != nullptr && near != &node)
          sigmas.push_back(near->sigma_px());
    if (sigmas.size() < kMinNeighbours) {
      result.set(place, node);
      continue;
    }
    const auto middle = sigmas.begin() + static_cast<std::ptrdiff_t>(sigmas.size() / 2);
    std::nth_element(sigmas.begin(), middle, sigmas.end());
    const double limit = std::max(least_px, factor * *middle);
    if (node.sigma_px() <= limit) {
      result.set(place, node);
    } else if (const auto at = predict(lattice, place, OwnNode::kLeaveOut)) {
      const auto again = nearer(place, *at, looks_near(lattice, place, kLooksReach));
      if (again && again->sigma_px() <= limit) result.set(place, *again);
    }
  }
  return result;
}

std::vector<Lattice> connected_parts(const Lattice& lattice) {
  std::vector<Lattice> parts;
  std::set<Place> seen;
  for (const auto& [start, first] : lattice.nodes()) {
    if (!seen.insert(start).second) continue;
    Lattice part;
    std::vector<Place> open = {start};
    while (!open.empty()) {
      const Place place = open.back();
      open.pop_back();
      part.set(place, *lattice.find(place));
      for (const Place& offset : kBeside) {
        const Place next = beside(place, offset);
        if (lattice.find(next) != nullptr && seen.insert(next).second) open.push_back(next);
      }
    }
    parts.push_back(std::move(part));
  }
  std::stable_sort(parts.begin(), parts.end(), [](const Lattice& a, const Lattice& b) {
    return a.size() > b.size();
  });
  return parts;
}

}  // namespace trueplate::target::detail
