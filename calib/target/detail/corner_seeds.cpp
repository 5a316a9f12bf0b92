#include "calib/target/detail/corner_seeds.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>

namespace trueplate::target::detail {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kMinSquarePx = 6.0;
constexpr double kMaxOffAxis = 0.25;  // rad, of a neighbour from the edge that leads to it
constexpr double kMaxTwist = 0.35;    // rad, between the edges at both ends
constexpr double kMinContrastShare = 0.3;

double angle_between(double a, double b) { return std::abs(std::remainder(a - b, 2.0 * kPi)); }

// The four edges that leave a candidate, clockwise on the screen from angle_a.
struct Ray {
  double angle = 0.0;
  double clockwise_side = 0.0;  // contrast of the sector that follows it clockwise
};

Ray ray_of(const CornerCandidate& candidate, int index) {
  const double angle = index % 2 == 0 ? candidate.angle_a : candidate.angle_b;
  const double side = index % 2 == 0 ? candidate.contrast : -candidate.contrast;
  return {index < 2 ? angle : angle + kPi, side};
}

// Candidates by place, to find those near a point.
class Buckets {
 public:
  Buckets(const std::vector<CornerCandidate>& candidates, int width, int height)
      : columns_(width / kSize + 1),
        rows_(height / kSize + 1),
        cells_(static_cast<std::size_t>(columns_) * static_cast<std::size_t>(rows_)) {
    for (std::size_t i = 0; i < candidates.size(); ++i)
      cells_[cell_of(candidates[i].p_px)].push_back(static_cast<int>(i));
  }

  // Calls visit(index) for the candidates in a square of cells at the given distance (in cells).
  template <class Visit>
  void ring(const Point2d& p, int distance, const Visit& visit) const {
    const int cx = static_cast<int>(p.x()) / kSize;
    const int cy = static_cast<int>(p.y()) / kSize;
    for (int y = cy - distance; y <= cy + distance; ++y) {
      if (y < 0 || y >= rows_) continue;
      const bool edge = y == cy - distance || y == cy + distance;
      for (int x = cx - distance; x <= cx + distance;
           x += edge || distance == 0 ? 1 : 2 * distance) {
        if (x < 0 || x >= columns_) continue;
        for (const int i : cells_[static_cast<std::size_t>(y) * static_cast<std::size_t>(columns_) +
                                  static_cast<std::size_t>(x)])
          visit(i);
      }
    }
  }

  static constexpr int kSize = 16;
  [[nodiscard]] int reach() const { return std::max(columns_, rows_); }

 private:
  [[nodiscard]] std::size_t cell_of(const Point2d& p) const {
    const int x = std::clamp(static_cast<int>(p.x()) / kSize, 0, columns_ - 1);
    const int y = std::clamp(static_cast<int>(p.y()) / kSize, 0, rows_ - 1);
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(columns_) +
           static_cast<std::size_t>(x);
  }

  int columns_;
  int rows_;
  std::vector<std::vector<int>> cells_;
};

}  // namespace

class CornerSeeds::Search {
 public:
  Search(ImageView<const float> toned, const std::vector<CornerCandidate>& candidates)
      : toned_(toned),
        candidates_(candidates),
        buckets_(candidates, toned.width, toned.height),
        neighbours_(candidates.size(), {kUnknown, kUnknown, kUnknown, kUnknown}) {}

  // Indices of p, its neighbours along rays r and r + 1, and the one opposite p.
  std::optional<std::array<int, 4>> square(int p, int r) {
    const int q = neighbour(p, r);
    const int s = neighbour(p, (r + 1) % 4);
    if (q == kNone || s == kNone || q == s) return std::nullopt;
    const Point2d u = at(q) - at(p);
    const Point2d v = at(s) - at(p);
    if (!(u.x() * v.y() - u.y() * v.x() > 0.0)) return std::nullopt;
    const int t = neighbour(q, ray_towards(q, v));
    if (t == kNone || t != neighbour(s, ray_towards(s, u))) return std::nullopt;
    if (t == p || t == q || t == s) return std::nullopt;
    return std::array{p, q, s, t};
  }

 private:
  static constexpr int kUnknown = -2;
  static constexpr int kNone = -1;

  [[nodiscard]] const Point2d& at(int i) const {
    return candidates_[static_cast<std::size_t>(i)].p_px;
  }

  [[nodiscard]] int ray_towards(int i, const Point2d& direction) const {
    const double angle = std::atan2(direction.y(), direction.x());
    int best = 0;
    double best_off = std::numeric_limits<double>::infinity();
    for (int r = 0; r < 4; ++r) {
      const double off =
          angle_between(ray_of(candidates_[static_cast<std::size_t>(i)], r).angle, angle);
      if (off < best_off) {
        best_off = off;
        best = r;
      }
    }
    return best;
  }

  int neighbour(int i, int r) {
    int& known = neighbours_[static_cast<std::size_t>(i)][static_cast<std::size_t>(r)];
    if (known == kUnknown) known = find_neighbour(i, r);
    return known;
  }

  // The nearest candidate along an edge at which the colours change sides.
  [[nodiscard]] int find_neighbour(int i, int r) const {
    const CornerCandidate& from = candidates_[static_cast<std::size_t>(i)];
    const Ray ray = ray_of(from, r);
    int best = kNone;
    double best_distance = std::numeric_limits<double>::infinity();
    for (int distance = 0; distance <= buckets_.reach(); ++distance) {
      if ((distance - 1) * Buckets::kSize > best_distance) break;
      buckets_.ring(from.p_px, distance, [&](int k) {
        const CornerCandidate& to = candidates_[static_cast<std::size_t>(k)];
        const Point2d d = to.p_px - from.p_px;
        const double length = d.norm();
        if (length < kMinSquarePx || length >= best_distance) return;
        const double angle = std::atan2(d.y(), d.x());
        if (angle_between(angle, ray.angle) > kMaxOffAxis) return;
        const Ray onward = ray_of(to, ray_towards(k, d));
        if (angle_between(onward.angle, ray.angle) > kMaxTwist) return;
        if (onward.clockwise_side * ray.clockwise_side >= 0.0) return;
        if (std::abs(to.contrast) < kMinContrastShare * std::abs(from.contrast)) return;
        if (!is_edge(from.p_px, to.p_px, ray.clockwise_side)) return;
        best = k;
        best_distance = length;
      });
    }
    return best;
  }

  // Whether one colour lies on the clockwise side of the way from a to b, the other opposite.
  [[nodiscard]] bool is_edge(const Point2d& a, const Point2d& b, double clockwise_side) const {
    const Point2d d = b - a;
    const double length = d.norm();
    const double off = std::clamp(0.15 * length, 2.0, 6.0);
    const Point2d normal = Point2d(-d.y(), d.x()) / length * off;  // clockwise on the screen
    for (const double t : {0.3, 0.5, 0.7}) {
      const Point2d p = a + t * d;
      const double difference = value(p + normal) - value(p - normal);
      // Twice the contrast for a full step; tilt and light leave less.
      if (difference * clockwise_side <= 0.5 * clockwise_side * clockwise_side) return false;
    }
    return true;
  }

  [[nodiscard]] double value(const Point2d& p) const {
    const int x = std::clamp(static_cast<int>(p.x()), 0, toned_.width - 1);
    const int y = std::clamp(static_cast<int>(p.y()), 0, toned_.height - 1);
    return toned_.at(x, y);
  }

  ImageView<const float> toned_;
  const std::vector<CornerCandidate>& candidates_;
  Buckets buckets_;
  std::vector<std::array<int, 4>> neighbours_;
};

CornerSeeds::CornerSeeds(ImageView<const float> toned,
                         const std::vector<CornerCandidate>& candidates)
    : search_(std::make_unique<Search>(toned, candidates)) {}

CornerSeeds::~CornerSeeds() = default;

std::optional<std::array<int, 4>> CornerSeeds::square(int p, int ray) {
  return search_->square(p, ray);
}

}  // namespace trueplate::target::detail
