#pragma once

#include <array>
#include <cmath>
#include <limits>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/rational.h"
#include "calib/lens/scalar.h"
#include "calib/lens/star_model.h"

namespace trueplate::lens {

/// The rational model with thin prism terms, for elements or filters that are tilted. With (x', y')
/// as of Rational and r2 = x^2 + y^2 of the ideal point,
///     x'' = x' + s1 r2 + s2 r2^2
///     y'' = y' + s3 r2 + s4 r2^2
/// J. Weng, P. Cohen, M. Herniou, Camera calibration with distortion models and accuracy
/// evaluation, IEEE PAMI 14(10), 1992 (from memory), in the form of OpenCV's twelve-coefficient
/// model (calib3d, 4.6 documentation, 2022), which stores k1, k2, p1, p2, k3 .. k6, s1 .. s4. U-D.
struct ThinPrismFormula {
  static constexpr std::string_view kName = "rational-prism";
  static constexpr int kNumParameters = 12;
  static constexpr std::array<std::string_view, 12> kParameterNames{
      "k1", "k2", "k3", "k4", "k5", "k6", "p1", "p2", "s1", "s2", "s3", "s4"};

  static bool allows_corner(const Point2d& p_ideal, const double* parameters) {
    return Rational::allows_corner(p_ideal, parameters);
  }

  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    const C* s = parameters + Rational::kNumParameters;
    const T r2 = p_ideal.x() * p_ideal.x() + p_ideal.y() * p_ideal.y();
    const Point2<T> p = Rational::distort(p_ideal, parameters);
    return {p.x() + r2 * (r2 * s[1] + s[0]), p.y() + r2 * (r2 * s[3] + s[2])};
  }
};

/// The model above seen by a sensor that is tilted against the lens by the angles tau_x about the x
/// axis, then tau_y about the y axis (radians): with (x'', y'') from above and
///     Rt = [cos ty, sin ty sin tx, -sin ty cos tx; 0, cos tx, sin tx;
///           sin ty, -cos ty sin tx, cos ty cos tx],
///     lambda (x''', y''', 1) = [Rt33 0 -Rt13; 0 Rt33 -Rt23; 0 0 1] Rt (x'', y'', 1).
/// After C. Louhichi et al., Self-calibration of Scheimpflug cameras, Measurement Science and
/// Technology 18, 2007 (from memory), in the form of OpenCV's fourteen-coefficient model. U-D.
struct TiltedFormula {
  static constexpr std::string_view kName = "rational-prism-tilt";
  static constexpr int kNumParameters = 14;
  static constexpr std::array<std::string_view, 14> kParameterNames{
      "k1", "k2", "k3", "k4", "k5", "k6", "p1", "p2", "s1", "s2", "s3", "s4", "tau_x", "tau_y"};

  static bool allows_corner(const Point2d& p_ideal, const double* parameters) {
    return Rational::allows_corner(p_ideal, parameters);
  }

  /// NaN where the tilted sensor's plane is seen edge-on or from behind.
  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    using std::cos;
    using std::sin;
    const Point2<T> p = ThinPrismFormula::distort(p_ideal, parameters);
    const C cx = cos(parameters[12]);
    const C sx = sin(parameters[12]);
    const C cy = cos(parameters[13]);
    const C sy = sin(parameters[13]);
    const C r33 = cy * cx;
    // Rt (x, y, 1)
    const T x = p.x() * cy + p.y() * (sy * sx) - sy * cx;
    const T y = p.y() * cx + sx;
    const T z = p.x() * sy - p.y() * (cy * sx) + r33;
    if (!certainly_positive(z)) {
      const T none(std::numeric_limits<double>::quiet_NaN());
      return {none, none};
    }
    return {x * r33 / z + sy * cx, y * r33 / z - sx};
  }
};

using RationalPrism = StarModel<ThinPrismFormula>;
using RationalPrismTilt = StarModel<TiltedFormula>;

}  // namespace trueplate::lens
