#pragma once

#include <array>
#include <cmath>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/star_model.h"

namespace trueplate::lens {

/// Distortion of a lens with cylindrical elements, symmetric to two planes instead of an axis.
///
/// The squeeze itself is in Lens::focal_px, whose x and y are free of each other. Turned into the
/// cylinder's axes,
///     u =  x cos(phi) + y sin(phi)
///     v = -x sin(phi) + y cos(phi)
/// the two coordinates have even polynomials of their own, of degree 4 or 6, and decentering terms:
///     u' = u (1 + a20 u^2 + a02 v^2 + a40 u^4 + a22 u^2 v^2 + a04 v^4
///               [+ a60 u^6 + a42 u^4 v^2 + a24 u^2 v^4 + a06 v^6]) + 2 p1 u v + p2 (3 u^2 + v^2)
///     v' = v (1 + b20 u^2 + b02 v^2 + b40 u^4 + b22 u^2 v^2 + b04 v^4
///               [+ b60 u^6 + b42 u^4 v^2 + b24 u^2 v^4 + b06 v^6]) + p1 (u^2 + 3 v^2) + 2 p2 u v
/// and, turned back to (x', y'), a cylinder that is not square to the sensor skews the picture:
///     x'' = x' + skew y',   y'' = y'
/// The index of a coefficient is the pair of its exponents. Two planes of symmetry leave exactly
/// these powers (the general even series of each coordinate, common practice, no source); the
/// decentering terms are those of RadialTangential (Brown 1966), the skew that of the camera matrix
/// of Z. Zhang, IEEE PAMI 22(11), 2000. All angles in radians, U-D.
///
/// A cylinder of squeeze s turned by a small angle psi against the sensor (all on the sensor,
/// pixels square) gives phi = psi / s and skew = (1 / s - s) psi; docs/lens-models.md.
template <int Degree>
struct AnamorphicFormula {
  static_assert(Degree == 4 || Degree == 6);
  static constexpr int kNumTerms = Degree == 4 ? 5 : 9;
  static constexpr std::string_view kName = Degree == 4 ? "cylindrical-2" : "cylindrical-3";
  static constexpr int kNumParameters = 2 * kNumTerms + 4;
  static constexpr auto kParameterNames = [] {
    constexpr std::array<std::string_view, 9> kX{
        "a20", "a02", "a40", "a22", "a04", "a60", "a42", "a24", "a06"};
    constexpr std::array<std::string_view, 9> kY{
        "b20", "b02", "b40", "b22", "b04", "b60", "b42", "b24", "b06"};
    constexpr std::array<std::string_view, 4> kRest{"p1", "p2", "phi", "skew"};
    std::array<std::string_view, kNumParameters> names;
    std::size_t next = 0;
    for (std::size_t i = 0; i < kNumTerms; ++i) names[next++] = kX[i];
    for (std::size_t i = 0; i < kNumTerms; ++i) names[next++] = kY[i];
    for (const std::string_view name : kRest) names[next++] = name;
    return names;
  }();

  /// parameters   a20 .. , b20 .. , p1, p2, phi, skew
  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    using std::cos;
    using std::sin;
    const C& p1 = parameters[2 * kNumTerms];
    const C& p2 = parameters[2 * kNumTerms + 1];
    const C& phi = parameters[2 * kNumTerms + 2];
    const C& skew = parameters[2 * kNumTerms + 3];
    const C c = cos(phi);
    const C s = sin(phi);
    const T u = p_ideal.x() * c + p_ideal.y() * s;
    const T v = p_ideal.y() * c - p_ideal.x() * s;
    const T u2 = u * u;
    const T v2 = v * v;
    const T uv2 = u * v * 2.0;
    const T u_distorted = u * (series(u2, v2, parameters) + 1.0) + uv2 * p1 + (u2 * 3.0 + v2) * p2;
    const T v_distorted =
        v * (series(u2, v2, parameters + kNumTerms) + 1.0) + (v2 * 3.0 + u2) * p1 + uv2 * p2;
    const T x = u_distorted * c - v_distorted * s;
    const T y = u_distorted * s + v_distorted * c;
    return {x + y * skew, y};
  }

 private:
  /// c20 u2 + c02 v2 + c40 u2^2 + ..., by powers of u2.
  template <class T, class C>
  static T series(const T& u2, const T& v2, const C* c) {
    if constexpr (Degree == 4) {
      return u2 * (u2 * c[2] + v2 * c[3] + c[0]) + v2 * (v2 * c[4] + c[1]);
    } else {
      return u2 * (u2 * (u2 * c[5] + v2 * c[6] + c[2]) + v2 * (v2 * c[7] + c[3]) + c[0]) +
             v2 * (v2 * (v2 * c[8] + c[4]) + c[1]);
    }
  }
};

using Anamorphic4 = StarModel<AnamorphicFormula<4>>;
using Anamorphic6 = StarModel<AnamorphicFormula<6>>;

}  // namespace trueplate::lens
