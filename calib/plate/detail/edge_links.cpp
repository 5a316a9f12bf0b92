#include <cmath>
#include <cstdint>
#include <limits>
#include <vector>

#include "calib/plate/detail/edge_points.h"

namespace trueplate::plate::detail {
namespace {

constexpr int kReachPx = 2;           // how far the next point may be
constexpr double kLeastAgreed = 0.8;  // cosine of the angle between neighbours' gradients
constexpr std::int32_t kNone = -1;

enum class Way { kForward, kBackward };

/// Along the edge with the brighter side on the left.
Point2d along_edge(const EdgePoint& point) {
  return Point2d(-point.gradient.y(), point.gradient.x()).normalized();
}

/// The nearest point ahead of, or behind, point `from` whose gradient agrees.
std::int32_t neighbour(const EdgePoints& edges, std::int32_t from, Way way) {
  const EdgePoint& point = edges.points[static_cast<std::size_t>(from)];
  const Point2d ahead = along_edge(point) * (way == Way::kForward ? 1.0 : -1.0);
  std::int32_t best = kNone;
  double best_distance = std::numeric_limits<double>::infinity();
  for (int y = point.y - kReachPx; y <= point.y + kReachPx; ++y) {
    for (int x = point.x - kReachPx; x <= point.x + kReachPx; ++x) {
      if (x < 0 || y < 0 || x >= edges.index.width() || y >= edges.index.height()) continue;
      const std::int32_t other = edges.index.at(x, y);
      if (other == kNone || other == from) continue;
      const EdgePoint& candidate = edges.points[static_cast<std::size_t>(other)];
      const Point2d step = candidate.p_px - point.p_px;
      if (!(step.dot(ahead) > 0.0)) continue;
      const double agreed = candidate.gradient.dot(point.gradient);
      if (agreed < kLeastAgreed * candidate.gradient.norm() * point.gradient.norm()) continue;
      const double distance = step.norm();
      if (distance < best_distance) {
        best_distance = distance;
        best = other;
      }
    }
  }
  return best;
}

/// Who follows whom. Every point has at most one successor and one predecessor.
class Links {
 public:
  explicit Links(const EdgePoints& edges)
      : edges_(edges), next_(edges.points.size(), kNone), previous_(edges.points.size(), kNone) {
    for (std::int32_t i = 0; i < static_cast<std::int32_t>(edges.points.size()); ++i) {
      join(i, neighbour(edges, i, Way::kForward));
      join(neighbour(edges, i, Way::kBackward), i);
    }
  }

  [[nodiscard]] std::int32_t next(std::int32_t i) const { return next_[at(i)]; }
  [[nodiscard]] std::int32_t previous(std::int32_t i) const { return previous_[at(i)]; }

 private:
  static std::size_t at(std::int32_t i) { return static_cast<std::size_t>(i); }

  [[nodiscard]] double distance(std::int32_t a, std::int32_t b) const {
    return (edges_.points[at(a)].p_px - edges_.points[at(b)].p_px).norm();
  }

  /// Links `b` after `a` unless either has a nearer partner.
  void join(std::int32_t a, std::int32_t b) {
    if (a == kNone || b == kNone || next_[at(a)] == b) return;
    const double length = distance(a, b);
    if (next_[at(a)] != kNone && distance(a, next_[at(a)]) <= length) return;
    if (previous_[at(b)] != kNone && distance(previous_[at(b)], b) <= length) return;
    if (next_[at(a)] != kNone) previous_[at(next_[at(a)])] = kNone;
    if (previous_[at(b)] != kNone) next_[at(previous_[at(b)])] = kNone;
    next_[at(a)] = b;
    previous_[at(b)] = a;
  }

  const EdgePoints& edges_;
  std::vector<std::int32_t> next_;
  std::vector<std::int32_t> previous_;
};

}  // namespace

std::vector<std::vector<Point2d>> linked(const EdgePoints& edges) {
  const Links links(edges);
  const auto count = static_cast<std::int32_t>(edges.points.size());
  std::vector<bool> is_taken(edges.points.size(), false);
  std::vector<std::vector<Point2d>> chains;
  const auto follow = [&](std::int32_t first) {
    std::vector<Point2d> chain;
    for (std::int32_t i = first; i != kNone && !is_taken[static_cast<std::size_t>(i)];
         i = links.next(i)) {
      is_taken[static_cast<std::size_t>(i)] = true;
      chain.push_back(edges.points[static_cast<std::size_t>(i)].p_px);
    }
    if (chain.size() > 1) chains.push_back(std::move(chain));
  };
  for (std::int32_t i = 0; i < count; ++i) {
    if (links.previous(i) == kNone) follow(i);
  }
  for (std::int32_t i = 0; i < count; ++i) follow(i);  // what is left are closed curves
  return chains;
}

}  // namespace trueplate::plate::detail
