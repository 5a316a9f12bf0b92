#include "calib/lens/detail/star_domain.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <utility>

namespace trueplate::lens::detail {
namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;

double cross(const Point2d& a, const Point2d& b) { return a.x() * b.y() - a.y() * b.x(); }

Interval hull(double a, double b) { return {std::min(a, b), std::max(a, b)}; }

/// A box of ideal points as the map sees it: derivatives by themselves.
Point2<Dual<Interval>> seeded(const Interval& x, const Interval& y) {
  return {Dual<Interval>(x, 1.0, 0.0), Dual<Interval>(y, 0.0, 1.0)};
}

/// The part of a ring between two radii and two angles (radians) within one quarter turn.
struct Piece {
  double near, far, from, to;

  [[nodiscard]] std::pair<Piece, Piece> halves() const {
    if (far - near > 0.5 * (near + far) * (to - from)) {
      const double middle = 0.5 * (near + far);
      return {{near, middle, from, to}, {middle, far, from, to}};
    }
    const double middle = 0.5 * (from + to);
    return {{near, far, from, middle}, {near, far, middle, to}};
  }
};

/// Whether the determinant is proven positive, and the map no steeper than allowed, on the piece.
bool is_local_one_to_one(BoxMap on_box, const double* parameters, const Piece& piece, int depth) {
  const Interval radius(piece.near, piece.far);
  const Interval x = radius * hull(std::cos(piece.from), std::cos(piece.to));
  const Interval y = radius * hull(std::sin(piece.from), std::sin(piece.to));
  const Point2<Dual<Interval>> q = on_box(seeded(x, y), parameters);
  const Interval determinant = q.x().dx * q.y().dy - q.x().dy * q.y().dx;
  if (determinant.lower > 0.0 && q.x().dx.within(StarDomain::kSteepest) &&
      q.x().dy.within(StarDomain::kSteepest) && q.y().dx.within(StarDomain::kSteepest) &&
      q.y().dy.within(StarDomain::kSteepest)) {
    return true;
  }
  if (depth == 0) return false;
  const auto [one, other] = piece.halves();
  return is_local_one_to_one(on_box, parameters, one, depth - 1) &&
         is_local_one_to_one(on_box, parameters, other, depth - 1);
}

/// How far the sector between two angles is proven, from 0 outwards.
double proven_radius(BoxMap on_box, const double* parameters, double from, double to) {
  constexpr int kDepth = 4;
  constexpr double kSmallestStep = 1.0 / 256.0;
  double radius = 0.0;
  for (double step = 0.125; step >= kSmallestStep * (1.0 + radius);) {
    const double next = std::min(radius + step, StarDomain::kFarthest);
    if (is_local_one_to_one(on_box, parameters, {radius, next, from, to}, kDepth)) {
      radius = next;
      if (radius == StarDomain::kFarthest) break;
      step *= 1.5;
    } else {
      step *= 0.5;
    }
  }
  return radius;
}

/// Whether the image of the straight edge from `a` to `b` is proven to turn counter-clockwise about
/// `center`.
bool turns_one_way(BoxMap on_box,
                   const double* parameters,
                   const Point2<Interval>& center,
                   const Point2d& a,
                   const Point2d& b,
                   int depth) {
  const Point2<Dual<Interval>> q =
      on_box(seeded(hull(a.x(), b.x()), hull(a.y(), b.y())), parameters);
  const Point2d along = b - a;
  const Interval dx = q.x().dx * along.x() + q.x().dy * along.y();
  const Interval dy = q.y().dx * along.x() + q.y().dy * along.y();
  const Interval turn = (q.x().a - center.x()) * dy - (q.y().a - center.y()) * dx;
  if (turn.lower > 0.0) return true;
  if (depth == 0) return false;
  const Point2d middle = 0.5 * (a + b);
  return turns_one_way(on_box, parameters, center, a, middle, depth - 1) &&
         turns_one_way(on_box, parameters, center, middle, b, depth - 1);
}

}  // namespace

StarDomain::StarDomain(BoxMap on_box, PointMap at, const double* parameters) {
  std::array<double, kNumVertices> proven;
  const auto angle = [](int i) { return kTurn * i / kNumVertices; };
  for (int i = 0; i < kNumVertices; ++i) {
    proven[static_cast<std::size_t>(i)] = proven_radius(on_box, parameters, angle(i), angle(i + 1));
  }
  for (int i = 0; i < kNumVertices; ++i) {
    const int before = (i + kNumVertices - 1) % kNumVertices;
    const double radius =
        std::min(proven[static_cast<std::size_t>(before)], proven[static_cast<std::size_t>(i)]);
    vertices_[static_cast<std::size_t>(i)] =
        radius * Point2d(std::cos(angle(i)), std::sin(angle(i)));
  }
  shrink_to_star_shaped_image(on_box, parameters);
  inner_radius_ = kFarthest;
  for (int i = 0; i < kNumVertices; ++i) {
    const Point2d edge = vertex(i + 1) - vertex(i);
    const double length = edge.norm();
    // A height may miss its edge; the line is then nearer than the edge, on the safe side.
    inner_radius_ = std::min(inner_radius_, length > 0.0 ? cross(vertex(i), edge) / length : 0.0);
  }
  if (inner_radius_ > 0.0) trace_image(at, parameters);
}

void StarDomain::shrink_to_star_shaped_image(BoxMap on_box, const double* parameters) {
  constexpr int kDepth = 5;
  constexpr double kFactor = 0.97;
  constexpr double kNearlyEqual = 0.97;
  constexpr double kSmallest = 1e-3;
  const Point2<Dual<Interval>> axis = on_box(seeded(0.0, 0.0), parameters);
  const Point2<Interval> center(axis.x().a, axis.y().a);
  for (bool changed = true; changed;) {
    changed = false;
    for (std::size_t i = 0; i < vertices_.size(); ++i) {
      Point2d& a = vertices_[i];
      Point2d& b = vertices_[(i + 1) % vertices_.size()];
      while (!turns_one_way(on_box, parameters, center, a, b, kDepth)) {
        const double length_a = a.norm();
        const double length_b = b.norm();
        if (!(std::min(length_a, length_b) > kSmallest)) {
          vertices_.fill(Point2d(0.0, 0.0));  // not proven anywhere
          return;
        }
        if (length_a > kNearlyEqual * length_b) a *= kFactor;
        if (length_b > kNearlyEqual * length_a) b *= kFactor;
        changed = true;
      }
    }
  }
}

void StarDomain::trace_image(PointMap at, const double* parameters) {
  image_of_axis_ = at({0.0, 0.0}, parameters);
  std::array<std::pair<double, double>, kNumOutline> outline;
  for (int i = 0; i < kNumOutline; ++i) {
    constexpr int kPerEdge = kNumOutline / kNumVertices;
    const double share = static_cast<double>(i % kPerEdge) / kPerEdge;
    const Point2d p = (1.0 - share) * vertex(i / kPerEdge) + share * vertex(i / kPerEdge + 1);
    const Point2d q = at(p, parameters) - image_of_axis_;
    outline[static_cast<std::size_t>(i)] = {std::atan2(q.y(), q.x()), q.norm()};
  }
  // Once round means that the direction jumps from pi to -pi once.
  int rounds = 0;
  for (std::size_t i = 0; i < outline.size(); ++i) {
    if (outline[(i + 1) % outline.size()].first < outline[i].first) ++rounds;
  }
  if (rounds != 1) {
    inner_radius_ = 0.0;
    return;
  }
  std::sort(outline.begin(), outline.end());
  for (std::size_t i = 0; i < outline.size(); ++i) {
    image_angle_[i] = outline[i].first;
    image_radius_[i] = outline[i].second;
  }
}

int StarDomain::sector_of(const Point2d& p) const {
  const double turns = std::atan2(p.y(), p.x()) / kTurn;
  const int sector = static_cast<int>((turns < 0.0 ? turns + 1.0 : turns) * kNumVertices);
  return std::clamp(sector, 0, kNumVertices - 1);
}

bool StarDomain::contains(const Point2d& p_ideal) const {
  const double r2 = p_ideal.squaredNorm();
  if (r2 < inner_radius_ * inner_radius_) return true;
  // Written so that a NaN fails.
  if (!(inner_radius_ > 0.0) || !(r2 < kFarthest * kFarthest)) return false;
  const int i = sector_of(p_ideal);
  return cross(vertex(i + 1) - vertex(i), p_ideal - vertex(i)) > 0.0;
}

double StarDomain::radius(const Point2d& direction) const {
  if (!(inner_radius_ > 0.0)) return 0.0;
  const int i = sector_of(direction);
  const Point2d edge = vertex(i + 1) - vertex(i);
  return cross(vertex(i), edge) / cross(direction, edge);
}

bool StarDomain::may_image_to(const Point2d& p_distorted) const {
  // The outline between two samples, a 256th of a turn apart, is nearly straight.
  constexpr double kMargin = 1.02;
  if (!(inner_radius_ > 0.0)) return false;
  const Point2d q = p_distorted - image_of_axis_;
  const double angle = std::atan2(q.y(), q.x());
  const auto after = std::upper_bound(image_angle_.begin(), image_angle_.end(), angle);
  const std::size_t high = static_cast<std::size_t>(after - image_angle_.begin()) % kNumOutline;
  const std::size_t low = (high + kNumOutline - 1) % kNumOutline;
  return q.norm() <= kMargin * std::max(image_radius_[low], image_radius_[high]);
}

}  // namespace trueplate::lens::detail
