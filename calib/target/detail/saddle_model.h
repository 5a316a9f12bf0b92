#pragma once

#include <Eigen/Core>
#include <array>
#include <utility>

#include "calib/target/detail/bends.h"

namespace trueplate::target::detail {

/// Largest error of SaddleModel's s against its exact value, for edges that meet at 17 degrees or
/// more: from the quadrature, and from taking a distance beyond 4.8 blurs as infinite.
inline constexpr double kShapeTolerance = 5e-6;

/// The image of a blurred crossing at one set of unknowns; the formula stands at fit_saddle().
class SaddleModel {
 public:
  enum Unknown {
    kX,  // the crossing, px
    kY,
    kAngleU,  // of the edges' directions, rad, x right and y down
    kAngleV,
    kLogBlur,  // natural logarithm of the standard deviation in px
    kA,        // the image: A + A_x x + A_y y + (B + B_x x + B_y y) s + C s^2
    kAx,
    kAy,
    kB,
    kBx,
    kBy,
    kC,
    kNumUnknowns,
  };
  static constexpr int kNumNonlinear = kA;
  using Unknowns = Eigen::Matrix<double, kNumUnknowns, 1>;

  SaddleModel(const Unknowns& unknowns, const Bends& bends);

  /// Value at the point (x, y), px; its derivatives by the unknowns too when `row` is not null.
  double at(double x, double y, Unknowns* row) const;

  /// Signed distances of a point from edge u (positive towards +v) and from edge v (positive
  /// towards +u), in units of the blur.
  [[nodiscard]] std::pair<double, double> sides(double x, double y) const;

 private:
  // Gauss-Legendre nodes of the integral that makes the two normal distributions dependent.
  struct Nodes {
    int count = 0;
    std::array<double, 8> sine{};       // correlation at the node
    std::array<double, 8> half_sec2{};  // 1 / (2 cos^2)
    std::array<double, 8> weight{};
  };
  static Nodes make_nodes(double correlation);

  Unknowns p_;
  double cos_u_, sin_u_, cos_v_, sin_v_;
  double inv_blur_;
  double bend_u_, bend_v_;
  double correlation_;
  double inv_q_;  // 1 / sqrt(1 - correlation^2)
  double correlation_by_angle_u_;
  Nodes nodes_;
};

}  // namespace trueplate::target::detail
