#pragma once

#include <Eigen/Core>
#include <array>
#include <cmath>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"
#include "calib/lens/scalar.h"

namespace trueplate::lens {

/// The equidistant polynomial model for fisheyes, from undistorted to distorted coordinates (U-D).
///
/// A ray at the angle t from the optical axis is imaged at the height
///     h = t (1 + k1 t^2 + k2 t^4 + k3 t^6 + k4 t^8)
/// in the direction in which it leaves the axis. On the plane z = 1, t = atan(r) and p' = (h / r)
/// p. After J. Kannala and S. Brandt, A generic camera model and calibration method for
/// conventional, wide-angle, and fish-eye lenses, IEEE PAMI 28(8), 2006, their radial part with the
/// first coefficient as focal length; equal to the fisheye model of OpenCV 4.6 without skew.
///
/// Domain: angles below max_angle(), the first at which h stops growing, at most 180 degrees.
/// Exact. Points of the plane z = 1 hold only rays up to 90 degrees; distort_ray() and
/// undistort_to_ray() take the others. A straightened picture, and so a map, exists only for the
/// former.
class Equidistant {
 public:
  static constexpr std::string_view kName = "equidistant";
  static constexpr int kNumParameters = 4;
  static constexpr std::array<std::string_view, 4> kParameterNames{"k1", "k2", "k3", "k4"};

  /// {k1 .. k4}; all zero is the equidistant projection h = t. The values must be finite.
  explicit Equidistant(const std::array<double, 4>& parameters = {});

  [[nodiscard]] const std::array<double, 4>& parameters() const { return parameters_; }

  /// The formula for a ray (x, y, z) of any length but zero and any scalar. Pure.
  template <class T, class C>
  static Point2<T> distort_ray(const Eigen::Matrix<T, 3, 1>& ray, const C* parameters);

  /// The formula for the ray (p_ideal, 1).
  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    return distort_ray(Eigen::Matrix<T, 3, 1>(p_ideal.x(), p_ideal.y(), T(1.0)), parameters);
  }

  /// Where the lens images p_ideal, or nullopt at and beyond max_radius() and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort(const Point2d& p_ideal) const;

  /// Inverse of distort() to kInverseTolerance * max(1, |p_distorted|); nullopt beyond the domain
  /// and for points whose ray is 90 degrees or more off the axis.
  [[nodiscard]] std::optional<Point2d> undistort(const Point2d& p_distorted) const;

  /// Where the lens images a ray of any length (camera axes: x right, y down, z forward), or
  /// nullopt for angles from max_angle() on, for a zero vector and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort_ray(const Eigen::Vector3d& ray) const;

  /// The unit ray imaged at p_distorted, to the accuracy of undistort(); nullopt beyond the domain.
  [[nodiscard]] std::optional<Eigen::Vector3d> undistort_to_ray(const Point2d& p_distorted) const;

  /// Angles from the axis, in radians, below which the lens is one-to-one; at most pi.
  [[nodiscard]] double max_angle() const { return max_angle_; }

  /// The same on the plane z = 1: tan(max_angle()), or infinity from 90 degrees on.
  [[nodiscard]] double max_radius() const { return max_radius_; }
  [[nodiscard]] double domain_radius(const Point2d& /*direction*/) const { return max_radius_; }

  friend bool operator==(const Equidistant& a, const Equidistant& b) {
    return a.parameters_ == b.parameters_;
  }

 private:
  /// The angle imaged at `height`, below `end`.
  [[nodiscard]] std::optional<double> angle_at(double height, double end) const;

  std::array<double, 4> parameters_;
  double max_angle_;
  double max_radius_;
};

template <class T, class C>
Point2<T> Equidistant::distort_ray(const Eigen::Matrix<T, 3, 1>& ray, const C* parameters) {
  using std::atan2;
  using std::sqrt;
  const T& x = ray.x();
  const T& y = ray.y();
  const T& z = ray.z();
  const T r2 = x * x + y * y;
  // angle / r, which is 1 / z on the axis. There the root has no derivative, so close to it the
  // series of atan is taken: its first dropped term is (r/z)^10 / 11, below 1e-21.
  T angle_over_r;
  if (certainly_positive(z) && !certainly_positive(r2 - T(1e-4) * z * z)) {
    const T s = r2 / (z * z);
    angle_over_r =
        (T(1.0) - s * (T(1.0 / 3.0) - s * (T(1.0 / 5.0) - s * (T(1.0 / 7.0) - s * T(1.0 / 9.0))))) /
        z;
  } else {
    const T r = sqrt(r2);
    angle_over_r = atan2(r, z) / r;
  }
  const T angle2 = r2 * angle_over_r * angle_over_r;
  const T scale =
      angle_over_r *
      (T(1.0) +
       angle2 * (parameters[0] +
                 angle2 * (parameters[1] + angle2 * (parameters[2] + angle2 * parameters[3]))));
  return {x * scale, y * scale};
}

}  // namespace trueplate::lens
