#include "calib/plate/detail/edge_scatter.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numeric>

namespace trueplate::plate::detail {
namespace {

using fit::detail::kNumPinhole;

/// An edge without which nothing would be known is left out but for this share.
constexpr double kLeftIn = 0.02;

struct Segment {
  Point2d begin;
  Point2d end;
  [[nodiscard]] double length() const { return (end - begin).norm(); }
};

/// A line in the straightened picture, in px about its centre.
Segment straightened(const WorldLine& line, const Point2d& focal_px) {
  const Point2d along(std::cos(line.angle), std::sin(line.angle));
  const auto [low, high] = std::minmax_element(line.feet.begin(), line.feet.end());
  return {(line.anchor + *low * along).cwiseProduct(focal_px),
          (line.anchor + *high * along).cwiseProduct(focal_px)};
}

double distance_from(const Segment& segment, const Point2d& p) {
  const Point2d along = (segment.end - segment.begin).normalized();
  const Point2d way = p - segment.begin;
  return std::abs(along.x() * way.y() - along.y() * way.x());
}

/// Sums of the lines' shares over each edge.
std::vector<LineShare> shares_of_edges(const LensProblem& problem, const AdjustedLens& lens) {
  const std::vector<int> edges = edges_of(problem, lens);
  std::vector<LineShare> sums;
  for (std::size_t i = 0; i < edges.size(); ++i) {
    const auto edge = static_cast<std::size_t>(edges[i]);
    if (edge == sums.size()) {
      sums.push_back(lens.shares[i]);
      continue;
    }
    sums[edge].normal += lens.shares[i].normal;
    sums[edge].gradient += lens.shares[i].gradient;
  }
  return sums;
}

/// So many edges of equal weight would determine parameter i as these do.
double num_independent(const std::vector<LineShare>& edges, Eigen::Index i) {
  double sum = 0.0;
  double squares = 0.0;
  for (const LineShare& edge : edges) {
    sum += edge.normal(i, i);
    squares += edge.normal(i, i) * edge.normal(i, i);
  }
  return squares > 0.0 ? sum * sum / squares : 0.0;
}

}  // namespace

std::vector<int> edges_of(const LensProblem& problem, const AdjustedLens& lens) {
  const double limit_px = kSameEdge * std::max(problem.plate_size.width, problem.plate_size.height);
  std::vector<Segment> segments;
  for (const WorldLine& line : lens.lines) {
    segments.push_back(straightened(line, lens.intrinsics.head<2>()));
  }
  std::vector<std::size_t> order(segments.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return segments[a].length() > segments[b].length();
  });
  // The longest line of an edge leads it, so that a row of near neighbours is not taken for one.
  std::vector<std::size_t> leaders;
  std::vector<std::size_t> leader_of(segments.size());
  for (const std::size_t i : order) {
    const auto found = std::find_if(leaders.begin(), leaders.end(), [&](std::size_t leader) {
      return distance_from(segments[leader], segments[i].begin) < limit_px &&
             distance_from(segments[leader], segments[i].end) < limit_px;
    });
    leader_of[i] = found == leaders.end() ? i : *found;
    if (found == leaders.end()) leaders.push_back(i);
  }
  std::vector<int> number(segments.size(), -1);
  std::vector<int> edges;
  int count = 0;
  for (const std::size_t leader : leader_of) {
    if (number[leader] < 0) number[leader] = count++;
    edges.push_back(number[leader]);
  }
  return edges;
}

std::vector<EdgeScatter> scatter_of_edges(const LensProblem& problem, const AdjustedLens& lens) {
  const Eigen::Index num_free = lens.normal.rows();
  const std::vector<LineShare> edges = shares_of_edges(problem, lens);
  if (num_free == 0 || static_cast<Eigen::Index>(edges.size()) <= num_free) return {};
  const auto solver = lens.normal.completeOrthogonalDecomposition();
  const Eigen::MatrixXd inverse = solver.solve(Eigen::MatrixXd::Identity(num_free, num_free));
  Eigen::VectorXd variances = Eigen::VectorXd::Zero(num_free);
  for (const LineShare& edge : edges) {
    const Eigen::VectorXd with_it = inverse * edge.gradient;
    const Eigen::MatrixXd others = lens.normal - (1.0 - kLeftIn) * edge.normal;
    const Eigen::VectorXd without_it =
        others.completeOrthogonalDecomposition().solve(edge.gradient);
    variances += with_it.cwiseProduct(without_it).cwiseMax(0.0);
  }
  std::vector<EdgeScatter> result;
  for (Eigen::Index i = 0; i < num_free; ++i) {
    if (problem.free[static_cast<std::size_t>(i)] < kNumPinhole || !(inverse(i, i) > 0.0)) continue;
    result.push_back(
        {.variance = variances[i] / inverse(i, i), .freedom = num_independent(edges, i) - 1.0});
  }
  return result;
}

}  // namespace trueplate::plate::detail
