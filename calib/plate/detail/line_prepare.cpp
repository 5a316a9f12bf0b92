#include "calib/plate/detail/line_prepare.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numeric>
#include <utility>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

constexpr std::size_t kLeastPoints = 3;  // two lie on a line whatever the lens
/// Of an edge seen again by a camera that does not move.
constexpr double kSamePlacePx = 1.5;

Chain without_duplicates(const Chain& points, std::size_t& num_duplicates) {
  Chain sorted = points;
  const auto key = [](const Point2d& p) { return std::pair(p.x(), p.y()); };
  std::sort(sorted.begin(), sorted.end(), [&](const Point2d& a, const Point2d& b) {
    return key(a) < key(b);
  });
  sorted.erase(std::unique(sorted.begin(), sorted.end()), sorted.end());
  num_duplicates += points.size() - sorted.size();
  return sorted;
}

/// Evenly chosen points, the first and the last among them.
Chain thinned(Chain points) {
  if (points.size() <= kMostPointsPerLine) return points;
  const BestLine line = best_line(points);
  const Point2d way = line.end - line.begin;
  std::sort(points.begin(), points.end(), [&](const Point2d& a, const Point2d& b) {
    return a.dot(way) < b.dot(way);
  });
  Chain result;
  for (std::size_t i = 0; i < kMostPointsPerLine; ++i) {
    result.push_back(points[i * (points.size() - 1) / (kMostPointsPerLine - 1)]);
  }
  return result;
}

bool is_same_place(const BestLine& a, const BestLine& b) {
  const auto near = [](const Point2d& p, const Point2d& q) {
    return (p - q).cwiseAbs().maxCoeff() < kSamePlacePx;
  };
  return (near(a.begin, b.begin) && near(a.end, b.end)) ||
         (near(a.begin, b.end) && near(a.end, b.begin));
}

}  // namespace

BestLine best_line(const std::vector<Point2d>& points) {
  BestLine best;
  if (points.size() < 2) return best;
  Point2d mean(0.0, 0.0);
  for (const Point2d& p : points) mean += p / static_cast<double>(points.size());
  Eigen::Matrix2d spread = Eigen::Matrix2d::Zero();
  for (const Point2d& p : points) spread += (p - mean) * (p - mean).transpose();
  const auto solver = symmetric_eigen<2>(spread);
  if (!(solver.eigenvalues()[1] > 0.0)) return best;
  const Point2d along = solver.eigenvectors().col(1);
  const Point2d across = solver.eigenvectors().col(0);
  const auto is_before = [&](const Point2d& a, const Point2d& b) {
    return a.dot(along) < b.dot(along);
  };
  const auto [first, last] = std::minmax_element(points.begin(), points.end(), is_before);
  best.begin = *first;
  best.end = *last;
  best.length_px = (*last - *first).dot(along);
  double sum = 0.0;
  for (const Point2d& p : points) {
    const double off = (p - mean).dot(across);
    sum += off * off;
    best.off.max_px = std::max(best.off.max_px, std::abs(off));
  }
  best.off.rms_px = std::sqrt(sum / static_cast<double>(points.size()));
  return best;
}

PreparedLines prepared(const LineSet& lines) {
  const std::size_t count = lines.chains.size();
  PreparedLines result;
  result.reasons.resize(count);
  std::vector<Chain> distinct(count);
  std::vector<BestLine> best(count);
  for (std::size_t i = 0; i < count; ++i) {
    distinct[i] = without_duplicates(lines.chains[i].points_px, result.num_duplicates);
    best[i] = best_line(distinct[i]);
    if (distinct[i].size() < kLeastPoints || !(best[i].length_px > 0.0)) {
      result.reasons[i] = fmt::format(
          "has {} different points, wanted {} or more", distinct[i].size(), kLeastPoints);
    }
  }
  std::vector<std::size_t> order(count);
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return best[a].length_px > best[b].length_px;
  });
  std::vector<std::size_t> taken;
  for (const std::size_t i : order) {
    if (!result.reasons[i].empty()) continue;
    if (taken.size() == kMostLines) {
      result.reasons[i] =
          fmt::format("is shorter than the {} longest, which are fitted", kMostLines);
      continue;
    }
    const auto earlier = std::find_if(taken.begin(), taken.end(), [&](std::size_t other) {
      return lines.chains[other].frame != lines.chains[i].frame &&
             is_same_place(best[other], best[i]);
    });
    if (earlier == taken.end()) {
      taken.push_back(i);
    } else {
      result.reasons[i] =
          fmt::format("repeats {}: the camera did not move", title_of(lines.chains[*earlier]));
    }
  }
  std::sort(taken.begin(), taken.end());
  for (const std::size_t i : taken) {
    result.chains.push_back(thinned(std::move(distinct[i])));
    result.sources.push_back(i);
  }
  return result;
}

}  // namespace trueplate::plate::detail
