#pragma once

#include <array>
#include <optional>

#include "calib/base/geometry.h"
#include "calib/lens/detail/dual.h"
#include "calib/lens/detail/interval.h"

namespace trueplate::lens::detail {

/// The map of a lens, with its derivatives, on a box of ideal points.
using BoxMap = Point2<Dual<Interval>> (*)(const Point2<Dual<Interval>>& p_ideal,
                                          const double* parameters);
using PointMap = Point2d (*)(const Point2d& p_ideal, const double* parameters);

/// A set of ideal points on which a map is proven one-to-one: a polygon, star-shaped about 0.
///
/// The proof: the Jacobian determinant is positive all over the polygon, so the map is one-to-one
/// near each point; and the image of the polygon's boundary goes once round the image of 0, its
/// direction from there turning one way only, so that boundary meets itself nowhere. A map that is
/// locally one-to-one on a disc and one-to-one on its boundary is one-to-one. Both conditions are
/// shown for whole boxes of points by interval arithmetic with automatic derivatives. The image is
/// then star-shaped, too, about the image of 0.
///
/// The polygon is on the safe side: it ends before the fold by what the boxes' finite size costs
/// (a few percent), where the map is steeper than kSteepest, and at kFarthest.
class StarDomain {
 public:
  /// Radius beyond which no point is looked at: 76 degrees off the axis.
  static constexpr double kFarthest = 4.0;
  /// Largest derivative: beyond it rounding of the ideal point would spoil the inverse's tolerance.
  static constexpr double kSteepest = 100.0;

  StarDomain(BoxMap on_box, PointMap at, const double* parameters);

  [[nodiscard]] bool contains(const Point2d& p_ideal) const;

  /// How far the polygon reaches in a direction (a unit vector).
  [[nodiscard]] double radius(const Point2d& direction) const;

  /// Radius of the largest disc about 0 inside.
  [[nodiscard]] double inner_radius() const { return inner_radius_; }

  /// False when no point of the domain is imaged at p_distorted: a quick answer for points that are
  /// clearly outside. True proves nothing.
  [[nodiscard]] bool may_image_to(const Point2d& p_distorted) const;

 private:
  static constexpr int kNumVertices = 64;  // divisible by 4: the axes separate sectors
  static constexpr int kNumOutline = 4 * kNumVertices;

  void shrink_to_star_shaped_image(BoxMap on_box, const double* parameters);
  void trace_image(PointMap at, const double* parameters);
  [[nodiscard]] const Point2d& vertex(int i) const {
    return vertices_[static_cast<std::size_t>(i % kNumVertices)];
  }
  [[nodiscard]] int sector_of(const Point2d& p) const;

  std::array<Point2d, kNumVertices> vertices_;
  double inner_radius_ = 0.0;
  // Where the boundary is imaged, as seen from the image of 0: directions increasing from
  // -pi, and distances.
  Point2d image_of_axis_ = {0.0, 0.0};
  std::array<double, kNumOutline> image_angle_{};
  std::array<double, kNumOutline> image_radius_{};
};

}  // namespace trueplate::lens::detail
