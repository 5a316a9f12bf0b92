#include "calib/target/detail/lattice.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>
#include <set>

namespace trueplate::target::detail {
namespace {

constexpr double kPi = std::numbers::pi;
constexpr double kMinSquarePx = 6.0;
constexpr double kMaxOffAxis = 0.25;  // rad, of a neighbour from the edge that leads to it
constexpr double kMaxTwist = 0.35;    // rad, between the edges at both ends
constexpr double kMinContrastShare = 0.3;
constexpr double kMaxLean = 0.3;      // rad, of a corner's edges from the grid
constexpr double kMaxOffPlace = 0.2;  // share of a square, from the predicted place
constexpr double kMaxGrowMisfit = 0.3;
constexpr double kSearchReachPx = 7.0;  // a search needs the corner's nature, not its last digit
constexpr int kMostSeeds = 300;
constexpr int kMostGenerations = 500;
constexpr int kMostCorners = 20000;

double angle_between(double a, double b) { return std::abs(std::remainder(a - b, 2.0 * kPi)); }

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

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

class SeedFinder {
 public:
  SeedFinder(ImageView<const float> toned, const std::vector<CornerCandidate>& candidates)
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

// The seed's four corners, measured; empty unless all are corners of alternating colour.
Lattice measure_seed(ImageView<const float> image,
                     const std::vector<CornerCandidate>& candidates,
                     const std::array<int, 4>& seed) {
  std::array<Point2d, 4> p;
  for (std::size_t i = 0; i < 4; ++i) p[i] = candidates[static_cast<std::size_t>(seed[i])].p_px;
  const std::array<Point2d, 4> u = {p[1] - p[0], p[1] - p[0], p[3] - p[2], p[3] - p[2]};
  const std::array<Point2d, 4> v = {p[2] - p[0], p[3] - p[1], p[2] - p[0], p[3] - p[1]};
  Lattice lattice;
  for (int i = 0; i < 4; ++i) {
    const auto n = static_cast<std::size_t>(i);
    const auto saddle = fit_saddle(image,
                                   {.p_px = p[n], .step_u_px = u[n], .step_v_px = v[n]},
                                   {.max_reach_px = kSearchReachPx, .max_misfit = kMaxGrowMisfit});
    if (!saddle) return {};
    lattice.set(i % 2, i / 2, *saddle);
  }
  const int parity = lattice.parity();
  for (const auto& [place, saddle] : lattice.saddles())
    if (!has_colours(saddle, place.first, place.second, parity)) return {};
  return lattice;
}

void grow(ImageView<const float> image, Lattice& lattice) {
  // Where a place was probed in vain; tried again only when the prediction has moved.
  std::map<Lattice::Place, Point2d> failed;
  for (int generation = 0; generation < kMostGenerations; ++generation) {
    const auto smooth = SmoothGrid::fit(lattice.points());
    if (!smooth) return;
    const int parity = lattice.parity();
    const Looks looks = looks_of(lattice);
    std::set<Lattice::Place> frontier;
    for (const auto& [place, saddle] : lattice.saddles()) {
      const auto [column, row] = place;
      for (const Lattice::Place& next : {Lattice::Place{column + 1, row},
                                         {column - 1, row},
                                         {column, row + 1},
                                         {column, row - 1}})
        if (lattice.find(next.first, next.second) == nullptr) frontier.insert(next);
    }
    int grown = 0;
    for (const auto& [column, row] : frontier) {
      const Point2d expected = smooth->at(column, row);
      const auto before = failed.find({column, row});
      if (before != failed.end() &&
          (before->second - expected).norm() < 0.05 * smooth->step_u(column, row).norm())
        continue;
      const SaddleOptions options{
          .max_reach_px = kSearchReachPx, .max_move_share = 0.25, .max_misfit = kMaxGrowMisfit};
      SaddleGuess guess = guess_at(*smooth, column, row, looks.blur_px);
      auto saddle = probe(image, guess, column, row, parity, looks, options);
      if (!saddle) {
        if (const auto next = continued(lattice, column, row)) {
          guess.p_px = *next;
          saddle = probe(image, guess, column, row, parity, looks, options);
        }
      }
      if (saddle) {
        lattice.set(column, row, *saddle);
        ++grown;
      } else {
        failed[{column, row}] = expected;
      }
    }
    if (grown == 0 || lattice.size() > kMostCorners) return;
  }
}

}  // namespace

const Saddle* Lattice::find(int column, int row) const {
  const auto found = saddles_.find({column, row});
  return found == saddles_.end() ? nullptr : &found->second;
}

std::vector<GridPoint> Lattice::points() const {
  std::vector<GridPoint> points;
  for (const auto& [place, saddle] : saddles_)
    points.push_back({place.first, place.second, saddle.p_px});
  return points;
}

std::pair<Lattice::Place, Lattice::Place> Lattice::bounds() const {
  if (saddles_.empty()) return {};
  Place low = saddles_.begin()->first;
  Place high = low;
  for (const auto& [place, saddle] : saddles_) {
    low = {std::min(low.first, place.first), std::min(low.second, place.second)};
    high = {std::max(high.first, place.first), std::max(high.second, place.second)};
  }
  return {low, high};
}

int Lattice::parity() const {
  int sum = 0;
  for (const auto& [place, saddle] : saddles_)
    sum += has_colours(saddle, place.first, place.second, 1) ? 1 : -1;
  return sum >= 0 ? 1 : -1;
}

bool has_colours(const Saddle& saddle, int column, int row, int parity) {
  const int expected = (column + row) % 2 == 0 ? parity : -parity;
  return (saddle.contrast > 0.0) == (expected > 0);
}

SaddleGuess guess_at(const SmoothGrid& smooth, int column, int row, double blur_px) {
  SaddleGuess guess;
  guess.p_px = smooth.at(column, row);
  // The direction of the tangent, the length of the shorter side: the far side may be long under
  // strong perspective, the near one must not be overrun.
  const auto step = [&](const Point2d& direction, const Point2d& next, const Point2d& previous) {
    const double length = std::min((next - guess.p_px).norm(), (guess.p_px - previous).norm());
    return Point2d(direction.normalized() * length);
  };
  guess.step_u_px =
      step(smooth.step_u(column, row), smooth.at(column + 1, row), smooth.at(column - 1, row));
  guess.step_v_px =
      step(smooth.step_v(column, row), smooth.at(column, row + 1), smooth.at(column, row - 1));
  guess.curvature_u = smooth.curvature_u(column, row);
  guess.curvature_v = smooth.curvature_v(column, row);
  guess.blur_px = blur_px;
  return guess;
}

std::optional<Point2d> continued(const Lattice& lattice, int column, int row) {
  Point2d sum(0.0, 0.0);
  int count = 0;
  for (const auto& [dc, dr] : {Lattice::Place{1, 0}, {-1, 0}, {0, 1}, {0, -1}}) {
    const Saddle* a = lattice.find(column + dc, row + dr);
    const Saddle* b = lattice.find(column + 2 * dc, row + 2 * dr);
    if (a == nullptr || b == nullptr) continue;
    const Saddle* c = lattice.find(column + 3 * dc, row + 3 * dr);
    sum += c != nullptr ? Point2d(3.0 * (a->p_px - b->p_px) + c->p_px)
                        : Point2d(2.0 * a->p_px - b->p_px);
    ++count;
  }
  if (count == 0) return std::nullopt;
  return sum / count;
}

Looks looks_of(const Lattice& lattice) {
  if (lattice.size() == 0) return {};
  std::vector<double> blur;
  std::vector<double> contrast;
  for (const auto& [place, saddle] : lattice.saddles()) {
    blur.push_back(saddle.blur_px);
    contrast.push_back(std::abs(saddle.contrast));
  }
  return {median(std::move(blur)), median(std::move(contrast))};
}

std::optional<Saddle> probe(ImageView<const float> image,
                            const SaddleGuess& guess,
                            int column,
                            int row,
                            int parity,
                            const Looks& looks,
                            const SaddleOptions& options) {
  const auto saddle = fit_saddle(image, guess, options);
  if (!saddle || !has_colours(*saddle, column, row, parity)) return std::nullopt;
  if (std::abs(saddle->contrast) < kMinContrastShare * looks.contrast) return std::nullopt;
  const double square = std::min(guess.step_u_px.norm(), guess.step_v_px.norm());
  if ((saddle->p_px - guess.p_px).norm() > std::max(1.0, kMaxOffPlace * square))
    return std::nullopt;
  const auto lean = [](const Point2d& direction, const Point2d& step) {
    return std::acos(std::clamp(direction.dot(step) / step.norm(), -1.0, 1.0));
  };
  if (lean(saddle->direction_u, guess.step_u_px) > kMaxLean ||
      lean(saddle->direction_v, guess.step_v_px) > kMaxLean)
    return std::nullopt;
  return *saddle;
}

Lattice grow_lattice(ImageView<const float> image,
                     ImageView<const float> toned,
                     const std::vector<CornerCandidate>& candidates,
                     int enough) {
  SeedFinder finder(toned, candidates);
  Lattice best;
  std::vector<bool> used(candidates.size(), false);
  int num_seeds = 0;
  for (std::size_t i = 0; i < candidates.size() && num_seeds < kMostSeeds; ++i) {
    for (int r = 0; r < 4 && !used[i]; ++r) {
      const auto seed = finder.square(static_cast<int>(i), r);
      if (!seed) continue;
      ++num_seeds;
      Lattice lattice = measure_seed(image, candidates, *seed);
      if (lattice.size() == 0) continue;
      grow(image, lattice);
      // What this lattice covers is no seed of another.
      for (std::size_t k = 0; k < candidates.size(); ++k) {
        if (used[k]) continue;
        for (const auto& [place, saddle] : lattice.saddles())
          if ((saddle.p_px - candidates[k].p_px).squaredNorm() < 9.0) used[k] = true;
      }
      if (lattice.size() > best.size()) best = std::move(lattice);
      if (best.size() >= enough) return best;
    }
  }
  return best;
}

}  // namespace trueplate::target::detail
