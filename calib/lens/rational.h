#pragma once

#include <array>
#include <limits>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"
#include "calib/lens/scalar.h"

namespace trueplate::lens {

/// The rational lens model, from undistorted to distorted coordinates (U-D): for wide lenses, whose
/// distortion a polynomial of the same number of terms follows less far out.
///
/// With r2 = x^2 + y^2 and R = (1 + k1 r2 + k2 r2^2 + k3 r2^3) / (1 + k4 r2 + k5 r2^2 + k6 r2^3):
///     x' = x R + 2 p1 x y + p2 (r2 + 2 x^2)
///     y' = y R + p1 (r2 + 2 y^2) + 2 p2 x y
/// Equal to the eight-coefficient model of OpenCV's calib3d (4.6 documentation, 2022), which goes
/// back to D. Claus and A. W. Fitzgibbon, A rational function lens distortion model for general
/// cameras, CVPR 2005 (from memory). With k4 = k5 = k6 = 0 it is the radial-tangential model.
///
/// Domain: the disc of max_radius(), on which the map is proven one-to-one; see
/// docs/lens-models.md. It ends where the denominator has fallen to a tenth, if that comes first: a
/// pole is near. With no tangential terms and no pole it is exactly where the mapping folds back.
class Rational {
 public:
  static constexpr std::string_view kName = "rational";
  static constexpr int kNumParameters = 8;
  static constexpr std::array<std::string_view, 8> kParameterNames{
      "k1", "k2", "k3", "k4", "k5", "k6", "p1", "p2"};

  /// {k1 .. k6, p1, p2}; all zero means no distortion. The values must be finite.
  explicit Rational(const std::array<double, 8>& parameters = {});

  [[nodiscard]] const std::array<double, 8>& parameters() const { return parameters_; }

  /// The formula above for any scalar. Pure. NaN where the denominator is not positive (at and
  /// beyond the pole); beyond max_radius() the mapping may fold back.
  ///
  /// p_ideal      point on the plane z = 1, no unit, x right, y down
  /// parameters   {k1 .. k6, p1, p2}, of the same scalar or plain numbers
  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters);

  /// Whether the quotient has no pole near a corner of the chart and a margin beyond it: for a fit,
  /// which might otherwise spend a pole and a zero close together on the noise of the outermost
  /// corners, and leave nothing of the frame beyond them.
  static bool allows_corner(const Point2d& p_ideal, const double* parameters) {
    constexpr double kMargin = 1.15;
    constexpr double kSmallestDenominator = 0.1;
    const double r2 = kMargin * kMargin * p_ideal.squaredNorm();
    return 1.0 + r2 * (parameters[3] + r2 * (parameters[4] + r2 * parameters[5])) >
           kSmallestDenominator;
  }

  /// Where the lens images p_ideal, or nullopt at and beyond max_radius() and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort(const Point2d& p_ideal) const;

  /// Inverse of distort(): the one p_ideal inside max_radius() with |distort(p_ideal) -
  /// p_distorted| <= kInverseTolerance * max(1, |p_distorted|), or nullopt when there is none.
  [[nodiscard]] std::optional<Point2d> undistort(const Point2d& p_distorted) const;

  /// Radius of the disc of ideal points on which the lens is proven one-to-one; infinity when the
  /// mapping never folds.
  [[nodiscard]] double max_radius() const { return max_radius_; }
  [[nodiscard]] double domain_radius(const Point2d& /*direction*/) const { return max_radius_; }

  friend bool operator==(const Rational& a, const Rational& b) {
    return a.parameters_ == b.parameters_;
  }

 private:
  std::array<double, 8> parameters_;
  double max_radius_;
  double max_image_radius_;  // no point of the domain is imaged farther out
};

template <class T, class C>
Point2<T> Rational::distort(const Point2<T>& p_ideal, const C* parameters) {
  const C& k1 = parameters[0];
  const C& k2 = parameters[1];
  const C& k3 = parameters[2];
  const C& k4 = parameters[3];
  const C& k5 = parameters[4];
  const C& k6 = parameters[5];
  const C& p1 = parameters[6];
  const C& p2 = parameters[7];
  const T& x = p_ideal.x();
  const T& y = p_ideal.y();
  const T x2 = x * x;
  const T y2 = y * y;
  const T xy2 = T(2.0) * x * y;
  const T r2 = x2 + y2;
  const T denominator = T(1.0) + r2 * (k4 + r2 * (k5 + r2 * k6));
  if (!certainly_positive(denominator)) {
    const T none(std::numeric_limits<double>::quiet_NaN());
    return {none, none};
  }
  const T radial = (T(1.0) + r2 * (k1 + r2 * (k2 + r2 * k3))) / denominator;
  return {x * radial + p1 * xy2 + p2 * (r2 + T(2.0) * x2),
          y * radial + p1 * (r2 + T(2.0) * y2) + p2 * xy2};
}

}  // namespace trueplate::lens
