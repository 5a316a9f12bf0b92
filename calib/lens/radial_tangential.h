#pragma once

#include <array>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"

namespace trueplate::lens {

/// The radial-tangential lens model, from undistorted to distorted coordinates (U-D).
///
/// With r2 = x^2 + y^2 and R = 1 + k1 r2 + k2 r2^2 + k3 r2^3:
///     x' = x R + 2 p1 x y + p2 (r2 + 2 x^2)
///     y' = y R + p1 (r2 + 2 y^2) + 2 p2 x y
/// After D. C. Brown, Decentering Distortion of Lenses, Photogrammetric Engineering 32(3), 1966,
/// with two differences: Brown applies the polynomial to measured (distorted) points, and his P1
/// and P2 are exchanged. Equal to the five-coefficient model of OpenCV's calib3d.
///
/// Domain. With q = (p2, p1) the map is the gradient of
///     r^2/2 + k1 r^4/4 + k2 r^6/6 + k3 r^8/8 + r^2 (q . p),
/// so its Jacobian is symmetric. Where the Jacobian is positive definite on a convex set the map is
/// one-to-one there. max_radius() is the radius of a disc on which this is proven:
/// the smallest positive root of
///     A(r) - 6 |q| r   or of   A(r) + 3 R(r) - 16 |q| r,     A(r) = d(r R)/dr.
/// With no tangential terms it is the exact radius at which the mapping folds back. Derivation in
/// docs/lens-models.md.
class RadialTangential {
 public:
  static constexpr std::string_view kName = "radial-tangential";
  static constexpr int kNumParameters = 5;
  static constexpr std::array<std::string_view, 5> kParameterNames{"k1", "k2", "k3", "p1", "p2"};

  /// {k1, k2, k3, p1, p2}; all zero means no distortion. The values must be finite.
  explicit RadialTangential(const std::array<double, 5>& parameters = {});

  [[nodiscard]] const std::array<double, 5>& parameters() const { return parameters_; }

  /// The formula above for any scalar (float, double, an automatic-differentiation type). Pure.
  /// Never fails, but beyond max_radius() the mapping may fold back.
  ///
  /// p_ideal      point on the plane z = 1, no unit, x right, y down
  /// parameters   {k1, k2, k3, p1, p2}
  /// returns      distorted point on the same plane
  template <class T>
  static Point2<T> distort(const Point2<T>& p_ideal, const T* parameters);

  /// Where the lens images p_ideal, or nullopt at and beyond max_radius() and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort(const Point2d& p_ideal) const;

  /// Inverse of distort(): the one p_ideal inside max_radius() with |distort(p_ideal) -
  /// p_distorted| <= kInverseTolerance * max(1, |p_distorted|), or nullopt when there is none.
  /// Newton's method on a convex potential, at most kMaxInverseSteps steps, each reducing the
  /// potential; terminates for every input.
  [[nodiscard]] std::optional<Point2d> undistort(const Point2d& p_distorted) const;

  static constexpr int kMaxInverseSteps = 100;

  /// Radius of the disc of ideal points on which the lens is proven one-to-one; infinity when the
  /// mapping never folds.
  [[nodiscard]] double max_radius() const { return max_radius_; }

  /// How far the domain reaches from the axis in a direction (a unit vector of the plane z = 1).
  /// This model's is a disc; others' may not be.
  [[nodiscard]] double domain_radius(const Point2d& /*direction*/) const { return max_radius_; }

  friend bool operator==(const RadialTangential& a, const RadialTangential& b) {
    return a.parameters_ == b.parameters_;
  }

 private:
  std::array<double, 5> parameters_;
  double max_radius_;
};

template <class T>
Point2<T> RadialTangential::distort(const Point2<T>& p_ideal, const T* parameters) {
  const T& k1 = parameters[0];
  const T& k2 = parameters[1];
  const T& k3 = parameters[2];
  const T& p1 = parameters[3];
  const T& p2 = parameters[4];
  const T& x = p_ideal.x();
  const T& y = p_ideal.y();
  const T x2 = x * x;
  const T y2 = y * y;
  const T xy2 = T(2.0) * x * y;
  const T r2 = x2 + y2;
  const T radial = T(1.0) + r2 * (k1 + r2 * (k2 + r2 * k3));
  return {x * radial + p1 * xy2 + p2 * (r2 + T(2.0) * x2),
          y * radial + p1 * (r2 + T(2.0) * y2) + p2 * xy2};
}

}  // namespace trueplate::lens
