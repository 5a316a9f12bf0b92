#pragma once

#include <Eigen/Core>
#include <array>
#include <cmath>
#include <limits>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"
#include "calib/lens/scalar.h"

namespace trueplate::lens {

/// The division model, from distorted to undistorted coordinates (D-U): with r the radius of the
/// distorted point p',
///     p = p' / (1 + lambda1 r^2 + lambda2 r^4)
/// so the ray of p' is (x', y', 1 + lambda1 r^2 + lambda2 r^4). Barrel distortion is lambda1 < 0.
/// A. W. Fitzgibbon, Simultaneous linear estimation of multiple view geometry and lens distortion,
/// CVPR 2001 (from memory), for one term; further terms as usual in the literature after it.
/// Straight lines become arcs of circles with one term.
///
/// Where the divisor is zero or negative the ray is 90 degrees or more off the axis: the model
/// images those, too. distort_ray() and undistort_to_ray() take them; points of the plane z = 1
/// and maps hold the others.
///
/// Domain: distorted radii below max_image_radius(). The angle of the ray grows as long as
/// 1 - lambda1 r^2 - 3 lambda2 r^4 is positive; the domain ends where that has fallen to
/// kSmallestGrowth, just before distort() becomes too steep to be computed.
template <int NumTerms>
class Division {
 public:
  static_assert(NumTerms == 1 || NumTerms == 2);
  static constexpr std::string_view kName = NumTerms == 1 ? "division-1" : "division-2";
  static constexpr int kNumParameters = NumTerms;
  static constexpr auto kParameterNames = [] {
    constexpr std::array<std::string_view, 2> kAll{"lambda1", "lambda2"};
    std::array<std::string_view, NumTerms> names;
    for (std::size_t i = 0; i < names.size(); ++i) names[i] = kAll[i];
    return names;
  }();
  using Parameters = std::array<double, static_cast<std::size_t>(NumTerms)>;

  /// All zero means no distortion. The values must be finite.
  explicit Division(const Parameters& parameters = {});

  [[nodiscard]] const Parameters& parameters() const { return parameters_; }

  /// The distorted point of a ray (x, y, z) of any length but zero, for any scalar. Pure. NaN where
  /// there is none. One term has a closed form; with two the radius is found by Newton's method in
  /// plain numbers, and one more step with T gives the derivatives.
  template <class T, class C>
  static Point2<T> distort_ray(const Eigen::Matrix<T, 3, 1>& ray, const C* parameters);

  /// The same for the ray (p_ideal, 1).
  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    return distort_ray(Eigen::Matrix<T, 3, 1>(p_ideal.x(), p_ideal.y(), T(1.0)), parameters);
  }

  /// Where the lens images p_ideal, or nullopt at and beyond max_radius() and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort(const Point2d& p_ideal) const;

  /// Inverse of distort(), by the formula; |distort(p) - p_distorted| <= kInverseTolerance * max(1,
  /// |p_distorted|). nullopt beyond the domain and for rays 90 degrees or more off the axis.
  [[nodiscard]] std::optional<Point2d> undistort(const Point2d& p_distorted) const;

  /// Where the lens images a ray of any length (camera axes), or nullopt outside the domain, for a
  /// zero vector and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort_ray(const Eigen::Vector3d& ray) const;

  /// The unit ray imaged at p_distorted; nullopt beyond the domain.
  [[nodiscard]] std::optional<Eigen::Vector3d> undistort_to_ray(const Point2d& p_distorted) const;

  static constexpr double kSmallestGrowth = 0.01;

  /// Distorted radii below this are the domain; infinity when the angle never stops growing.
  [[nodiscard]] double max_image_radius() const { return max_image_radius_; }

  /// The same on the plane z = 1; infinity when rays of 90 degrees are imaged.
  [[nodiscard]] double max_radius() const { return max_radius_; }
  [[nodiscard]] double domain_radius(const Point2d& /*direction*/) const { return max_radius_; }

  friend bool operator==(const Division& a, const Division& b) {
    return a.parameters_ == b.parameters_;
  }

 private:
  /// 1 + lambda1 s + lambda2 s^2, s = r^2.
  template <class T, class C>
  static T divisor(const T& s, const C* parameters) {
    if constexpr (NumTerms == 1) {
      return T(1.0) + parameters[0] * s;
    } else {
      return T(1.0) + s * (parameters[0] + parameters[1] * s);
    }
  }

  /// The distorted radius over that of the ray, (x, y) having length rho; NaN when there is none.
  static double radius_ratio(double rho, double z, const double* parameters);

  Parameters parameters_;
  double max_image_radius_;
  double max_radius_;
};

using DivisionOneTerm = Division<1>;
using DivisionTwoTerms = Division<2>;

template <int NumTerms>
template <class T, class C>
Point2<T> Division<NumTerms>::distort_ray(const Eigen::Matrix<T, 3, 1>& ray, const C* parameters) {
  using std::sqrt;
  const T& x = ray.x();
  const T& y = ray.y();
  const T& z = ray.z();
  const T rho2 = x * x + y * y;
  T ratio;  // r / rho: the divisor at r = ratio rho is ratio z
  if constexpr (NumTerms == 1) {
    // lambda1 rho^2 ratio^2 - z ratio + 1 = 0, the root that is 1 / z for lambda1 = 0; of its two
    // forms the one without cancellation.
    const T root = sqrt(z * z - T(4.0) * parameters[0] * rho2);
    ratio =
        certainly_positive(z) ? T(2.0) / (z + root) : (z - root) / (T(2.0) * parameters[0] * rho2);
  } else {
    const double plain[2] = {value_of(parameters[0]), value_of(parameters[1])};
    const T root(radius_ratio(std::sqrt(value_of(rho2)), value_of(z), plain));
    // One step of Newton's method on f(ratio) = z ratio - divisor(rho^2 ratio^2): its first
    // derivatives are those of the root.
    const T s = rho2 * root * root;
    const T slope = z - T(2.0) * rho2 * root * (parameters[0] + T(2.0) * parameters[1] * s);
    ratio = root - (z * root - divisor(s, parameters)) / T(value_of(slope));
  }
  if (!certainly_positive(ratio)) ratio = T(std::numeric_limits<double>::quiet_NaN());
  return {x * ratio, y * ratio};
}

}  // namespace trueplate::lens
