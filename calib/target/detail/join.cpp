#include "calib/target/detail/join.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/target/detail/smooth_grid.h"

namespace trueplate::target::detail {
namespace {

constexpr std::size_t kNearNodes = 60;  // of each part, those beside the gap
constexpr int kShiftReach = 2;          // tried around the shift that `a` suggests
constexpr int kWidestGap = 8;           // columns or rows; farther, a part tells nothing

using Points = std::vector<GridPoint>;

Point2d mean_of(const Points& points) {
  Point2d sum(0.0, 0.0);
  for (const GridPoint& p : points) sum += p.p_px;
  return sum / static_cast<double>(points.size());
}

// The nodes of `from` nearest to any node of `to`, which is thinned to save time.
Points nearest(const Points& from, const Points& to) {
  const std::size_t stride = std::max<std::size_t>(1, to.size() / 200);
  std::vector<std::pair<double, std::size_t>> distance;
  for (std::size_t i = 0; i < from.size(); ++i) {
    double least = std::numeric_limits<double>::infinity();
    for (std::size_t k = 0; k < to.size(); k += stride)
      least = std::min(least, (from[i].p_px - to[k].p_px).squaredNorm());
    distance.emplace_back(least, i);
  }
  std::sort(distance.begin(), distance.end());
  Points points;
  for (std::size_t i = 0; i < std::min(kNearNodes, distance.size()); ++i)
    points.push_back(from[distance[i].second]);
  return points;
}

// Grid coordinates whose image is `p`, by Newton's method; nullopt when it leaves the gap's width.
std::optional<Point2d> place_of(const SmoothGrid& smooth,
                                const GridPoint& start,
                                const Point2d& p) {
  Point2d g(start.column, start.row);
  for (int i = 0; i < 20; ++i) {
    const Point2d off = p - smooth.at(g.x(), g.y());
    const Point2d u = smooth.step_u(g.x(), g.y());
    const Point2d v = smooth.step_v(g.x(), g.y());
    const double det = u.x() * v.y() - u.y() * v.x();
    if (!(std::abs(det) > 1e-9)) return std::nullopt;
    Point2d step((off.x() * v.y() - off.y() * v.x()) / det,
                 (u.x() * off.y() - u.y() * off.x()) / det);
    const double length = step.norm();
    if (!std::isfinite(length)) return std::nullopt;
    if (length > 1.0) step /= length;
    g += step;
    if ((g - Point2d(start.column, start.row)).norm() > 2.0 * kWidestGap) return std::nullopt;
    if (length < 1e-3) return g;
  }
  return std::nullopt;
}

struct Shift {
  int turns = 0;
  int columns = 0;
  int rows = 0;
  double seam = std::numeric_limits<double>::infinity();
};

// Roughness of the grid across the gap, in steps.
double seam_of(const Points& a, const Points& b, int columns, int rows) {
  Points both = a;
  for (GridPoint p : b) {
    p.column += columns;
    p.row += rows;
    both.push_back(p);
  }
  const auto smooth = SmoothGrid::fit(both);
  if (!smooth) return std::numeric_limits<double>::infinity();
  double sum = 0.0;
  for (const GridPoint& p : both) {
    const double step =
        std::min(smooth->step_u(p.column, p.row).norm(), smooth->step_v(p.column, p.row).norm());
    sum += (smooth->at(p.column, p.row) - p.p_px).squaredNorm() / (step * step);
  }
  return std::sqrt(sum / static_cast<double>(both.size()));
}

bool overlap(const Lattice& a, const Lattice& b, int columns, int rows) {
  return std::any_of(b.nodes().begin(), b.nodes().end(), [&](const auto& entry) {
    return a.find({entry.first.first + columns, entry.first.second + rows}) != nullptr;
  });
}

}  // namespace

std::optional<Lattice> joined(const Lattice& a, const Lattice& b, Colours colours) {
  if (a.size() < 4 || b.size() < 4) return std::nullopt;
  const Points all_a = a.points();
  const Points near_a = nearest(all_a, b.points());
  const auto smooth = SmoothGrid::fit(near_a, 0);
  if (!smooth) return std::nullopt;
  const bool alternate = colours == Colours::kAlternate;
  const int parity = parity_of(a);

  Shift best;
  double second = std::numeric_limits<double>::infinity();
  Lattice best_turn;
  Lattice turn = moved_to_origin(b);
  for (int turns = 0; turns < 4; ++turns, turn = turned(turn, colours)) {
    const Points near_b = nearest(turn.points(), all_a);
    const Point2d middle = mean_of(near_b);
    const GridPoint& anchor = *std::min_element(
        near_b.begin(), near_b.end(), [&](const GridPoint& p, const GridPoint& q) {
          return (p.p_px - middle).squaredNorm() < (q.p_px - middle).squaredNorm();
        });
    const GridPoint& start = *std::min_element(
        near_a.begin(), near_a.end(), [&](const GridPoint& p, const GridPoint& q) {
          return (p.p_px - anchor.p_px).squaredNorm() < (q.p_px - anchor.p_px).squaredNorm();
        });
    const auto place = place_of(*smooth, start, anchor.p_px);
    if (!place) continue;
    const int columns = static_cast<int>(std::lround(place->x())) - anchor.column;
    const int rows = static_cast<int>(std::lround(place->y())) - anchor.row;
    for (int dc = columns - kShiftReach; dc <= columns + kShiftReach; ++dc) {
      for (int dr = rows - kShiftReach; dr <= rows + kShiftReach; ++dr) {
        if (alternate && parity_of(moved(turn, dc, dr)) != parity) continue;
        if (overlap(a, turn, dc, dr)) continue;
        const double seam = seam_of(near_a, near_b, dc, dr);
        if (seam < best.seam) {
          second = best.seam;
          best = {turns, dc, dr, seam};
          best_turn = turn;
        } else {
          second = std::min(second, seam);
        }
      }
    }
  }
  if (!(best.seam <= kMaxSeam) || !(second >= kMinSeamRatio * std::max(best.seam, kSeamFloor)))
    return std::nullopt;
  Lattice result = a;
  for (const auto& [place, node] : best_turn.nodes())
    result.set({place.first + best.columns, place.second + best.rows}, node);
  return result;
}

}  // namespace trueplate::target::detail
