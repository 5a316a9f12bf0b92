#pragma once

#include <array>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/star_model.h"

namespace trueplate::lens {

/// Radial distortion about a centre of its own. With d = p - c, c = (c_x, c_y) and r2 = |d|^2:
///     p' = c + d (1 + k1 r2 + k2 r2^2 + k3 r2^3)
/// All other models have their centre at the principal point. In plate pixels the distortion centre
/// is principal_point_px + focal_px * c. U-D; the free centre is the distortion offset of the
/// OpenLensIO lens model 1.0.0, 2025.
///
/// To first order in c the terms of k1 are the tangential ones of RadialTangential with
/// (p2, p1) = -k1 c, apart from what principal point and focal length take up: where the two models
/// fit equally well, they are the same lens.
struct FreeCentreFormula {
  static constexpr std::string_view kName = "radial-free-centre";
  static constexpr int kNumParameters = 5;
  static constexpr std::array<std::string_view, 5> kParameterNames{"k1", "k2", "k3", "c_x", "c_y"};

  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    const T dx = p_ideal.x() - parameters[3];
    const T dy = p_ideal.y() - parameters[4];
    const T r2 = dx * dx + dy * dy;
    const T radial = r2 * (r2 * (r2 * parameters[2] + parameters[1]) + parameters[0]);
    return {p_ideal.x() + dx * radial, p_ideal.y() + dy * radial};
  }
};

using RadialFreeCentre = StarModel<FreeCentreFormula>;

}  // namespace trueplate::lens
