#include "calib/plate/detail/edge_pieces.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

#include "calib/base/decompositions.h"

namespace trueplate::plate::detail {
namespace {

using Points = std::vector<Point2d>;

constexpr int kArm = 8;                // points on either side over which a turn is measured
constexpr double kCornerDeg = 8.0;     // a lens turns an edge by far less over so few pixels
constexpr int kTrim = 3;               // points that a junction disturbs
constexpr double kLooseLimitPx = 0.7;  // from a cubic
constexpr int kLeastPoints = 12;
/// Of the smooth part it was cut from: less is a piece of something curved, since the image of a
/// straight edge follows a cubic as a whole.
constexpr double kLeastShare = 0.5;
/// Neighbouring points share pixels: so many carry the information of one.
constexpr double kShared = 5.0;
constexpr double kJoinLimit = 4.0;        // of the F ratio
constexpr std::size_t kMostJoined = 600;  // pieces looked at; the longest

double chord_of(const Points& points) { return (points.back() - points.front()).norm(); }

/// Coordinates of points over the chord from `a` to `b`: along it from -1 to 1, and across in px.
Eigen::Matrix2Xd over_chord(const Points& points, const Point2d& a, const Point2d& b) {
  const Point2d middle = 0.5 * (a + b);
  const double half = std::max(0.5 * (b - a).norm(), 1e-9);
  const Point2d way = (b - a) / (2.0 * half);
  Eigen::Matrix2Xd result(2, static_cast<Eigen::Index>(points.size()));
  for (std::size_t i = 0; i < points.size(); ++i) {
    const Point2d off = points[i] - middle;
    result.col(static_cast<Eigen::Index>(i)) << off.dot(way) / half,
        way.x() * off.y() - way.y() * off.x();
  }
  return result;
}

struct Cubic {
  double sum_squares_px2 = 0.0;
  double max_px = 0.0;
};

/// How far points are from their cubic over a chord.
Cubic cubic_through(const Eigen::Matrix2Xd& points) {
  const Eigen::Index n = points.cols();
  Eigen::MatrixXd design(n, 4);
  for (Eigen::Index i = 0; i < n; ++i) {
    const double u = points(0, i);
    design.row(i) << 1.0, u, u * u, u * u * u;
  }
  const Eigen::VectorXd across = points.row(1).transpose();
  const Eigen::Vector4d best =
      solve_symmetric<Eigen::Dynamic>(design.transpose() * design, design.transpose() * across);
  const Eigen::VectorXd off = across - design * best;
  return {.sum_squares_px2 = off.squaredNorm(), .max_px = off.cwiseAbs().maxCoeff()};
}

/// The turn at point i, in radians.
double turn_at(const Points& points, std::size_t i) {
  const Point2d before = points[i] - points[i - kArm];
  const Point2d after = points[i + kArm] - points[i];
  return std::abs(std::atan2(before.x() * after.y() - before.y() * after.x(), before.dot(after)));
}

/// The parts of a chain between its corners.
std::vector<Points> between_corners(const Points& chain) {
  const double limit = kCornerDeg * std::numbers::pi / 180.0;
  std::vector<Points> parts;
  std::size_t begin = 0;
  const auto cut = [&](std::size_t end) {
    if (end > begin + kLeastPoints + 2 * kTrim) {
      parts.emplace_back(chain.begin() + static_cast<std::ptrdiff_t>(begin + kTrim),
                         chain.begin() + static_cast<std::ptrdiff_t>(end - kTrim));
    }
    begin = end;
  };
  for (std::size_t i = kArm; i + kArm < chain.size(); ++i) {
    if (turn_at(chain, i) < limit) continue;
    std::size_t corner = i;
    double largest = 0.0;
    for (; i + kArm < chain.size(); ++i) {
      const double turn = turn_at(chain, i);
      if (turn < limit) break;
      if (turn > largest) {
        largest = turn;
        corner = i;
      }
    }
    cut(corner);
  }
  cut(chain.size());
  return parts;
}

std::size_t farthest_from_chord(const Eigen::Matrix2Xd& points) {
  Eigen::Index place = 0;
  points.row(1).cwiseAbs().maxCoeff(&place);
  return static_cast<std::size_t>(place);
}

void add_smooth(const Points& part, double least_px, std::vector<Points>& pieces) {
  std::vector<Points> waiting{part};
  while (!waiting.empty()) {
    Points points = std::move(waiting.back());
    waiting.pop_back();
    if (points.size() < static_cast<std::size_t>(kLeastPoints)) continue;
    // A curve that returns to its beginning has no chord; half of it has.
    const bool is_closed = chord_of(points) < 0.5 * static_cast<double>(points.size());
    std::size_t place = points.size() / 2;
    if (!is_closed) {
      if (chord_of(points) < least_px) continue;
      const Eigen::Matrix2Xd over = over_chord(points, points.front(), points.back());
      if (cubic_through(over).max_px <= kLooseLimitPx) {
        if (static_cast<double>(points.size()) >= kLeastShare * static_cast<double>(part.size())) {
          pieces.push_back(std::move(points));
        }
        continue;
      }
      place = farthest_from_chord(over);
    }
    place = std::clamp(place,
                       static_cast<std::size_t>(kLeastPoints) / 2,
                       points.size() - static_cast<std::size_t>(kLeastPoints) / 2);
    const auto at = points.begin() + static_cast<std::ptrdiff_t>(place);
    waiting.emplace_back(points.begin(), at);
    waiting.emplace_back(at, points.end());
  }
}

/// Mean direction over a piece's first or last points.
Point2d end_direction(const Points& piece, bool at_end) {
  const std::size_t reach = std::min<std::size_t>(piece.size() - 1, 30);
  const Point2d way = at_end ? Point2d(piece.back() - piece[piece.size() - 1 - reach])
                             : Point2d(piece[reach] - piece.front());
  return way.normalized();
}

/// Whether `b` is certainly the continuation of `a`.
bool continues(const Points& a, const Points& b) {
  const Point2d gap = b.front() - a.back();
  const double shorter = std::min(chord_of(a), chord_of(b));
  if (gap.norm() > 0.5 * shorter) return false;
  const Point2d from = end_direction(a, true);
  const Point2d to = end_direction(b, false);
  constexpr double kLeastCosine = 0.998;
  if (from.dot(to) < kLeastCosine || gap.dot(from) < -1.0) return false;
  if (std::abs(from.x() * gap.y() - from.y() * gap.x()) > 1.5 + 0.06 * gap.norm()) return false;
  Points both = a;
  both.insert(both.end(), b.begin(), b.end());
  const Point2d begin = a.front();
  const Point2d end = b.back();
  const double together = cubic_through(over_chord(both, begin, end)).sum_squares_px2;
  const double apart = cubic_through(over_chord(a, begin, end)).sum_squares_px2 +
                       cubic_through(over_chord(b, begin, end)).sum_squares_px2;
  const double num_free = std::max(1.0, static_cast<double>(both.size()) / kShared - 8.0);
  constexpr double kFloorPx2 = 1e-4;  // of noise, so that perfect pictures join, too
  const double noise2 = apart / static_cast<double>(both.size()) + kFloorPx2;
  return (together - apart) / static_cast<double>(both.size()) * (num_free + 8.0) / 4.0 <
         kJoinLimit * noise2;
}

}  // namespace

std::vector<std::vector<Point2d>> smooth_pieces(const std::vector<Point2d>& chain,
                                                double least_px) {
  std::vector<Points> pieces;
  for (const Points& part : between_corners(chain)) add_smooth(part, least_px, pieces);
  return pieces;
}

std::vector<std::vector<Point2d>> joined(std::vector<std::vector<Point2d>> pieces) {
  const auto is_longer = [](const Points& a, const Points& b) { return chord_of(a) > chord_of(b); };
  std::stable_sort(pieces.begin(), pieces.end(), is_longer);
  for (std::size_t i = 0; i < std::min(pieces.size(), kMostJoined); ++i) {
    for (std::size_t j = i + 1; j < std::min(pieces.size(), kMostJoined);) {
      const bool is_after = continues(pieces[i], pieces[j]);
      const bool is_before = !is_after && continues(pieces[j], pieces[i]);
      if (!is_after && !is_before) {
        ++j;
        continue;
      }
      Points& first = is_after ? pieces[i] : pieces[j];
      const Points& second = is_after ? pieces[j] : pieces[i];
      first.insert(first.end(), second.begin(), second.end());
      if (is_before) pieces[i] = std::move(pieces[j]);
      pieces.erase(pieces.begin() + static_cast<std::ptrdiff_t>(j));
      j = i + 1;
    }
  }
  std::stable_sort(pieces.begin(), pieces.end(), is_longer);
  return pieces;
}

}  // namespace trueplate::plate::detail
