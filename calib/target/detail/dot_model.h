#pragma once

#include <Eigen/Core>
#include <array>

namespace trueplate::target::detail {

/// What is known beforehand of a dot: how its surroundings on the chart are imaged, to second
/// order. With c = (c_1, c_2) in units of the radius the fit starts with,
///     x(c) = p + first c + second (c_1^2 / 2, c_1 c_2, c_2^2 / 2).
struct DotSurroundings {
  Eigen::Matrix2d first = Eigen::Matrix2d::Identity();  // px per radius
  Eigen::Matrix<double, 2, 3> second = Eigen::Matrix<double, 2, 3>::Zero();
};

/// The image of a blurred dot at one set of unknowns; the formula stands at fit_dot().
class DotModel {
 public:
  enum Unknown {
    kX,  // the image of the dot's centre, px
    kY,
    kS11,  // the shape: the dot's edge is |S c| = 1, S symmetric
    kS12,
    kS22,
    kLogBlur,  // natural logarithm of the standard deviation in px
    kA,        // the image: A + A_x x + A_y y + (B + B_x x + B_y y) s
    kAx,
    kAy,
    kB,
    kBx,
    kBy,
    kNumUnknowns,
  };
  static constexpr int kNumNonlinear = kA;
  using Unknowns = Eigen::Matrix<double, kNumUnknowns, 1>;

  DotModel(const Unknowns& unknowns, const DotSurroundings& known);

  /// Value at the point (x, y), px; its derivatives by the unknowns too when `row` is not null.
  double at(double x, double y, Unknowns* row) const;

  /// A point seen from the dot: S c, of length 1 on the edge; how much of the dot's ink it has;
  /// and the change of the image when the edge moves outwards there by one radius.
  struct Look {
    Eigen::Vector2d place = {0.0, 0.0};
    double ink = 0.0;
    double by_edge = 0.0;
  };
  [[nodiscard]] Look look(double x, double y) const;

  /// S c alone, without limits of the blur.
  [[nodiscard]] Eigen::Vector2d place(double x, double y) const;

 private:
  struct OnChart {
    Eigen::Vector2d c;
    Eigen::Matrix2d px_to_c;  // inverse of the Jacobian of x(c) there
  };
  [[nodiscard]] OnChart on_chart(double x, double y) const;
  /// Curvature of the edge near a point, as a share of its mean; `gradient` is that of |S c| by the
  /// pixel, `slope` its length.
  [[nodiscard]] double curvature_share(const OnChart& here,
                                       double q,
                                       const Eigen::Vector2d& gradient,
                                       double slope) const;

  Unknowns p_;
  const DotSurroundings& known_;
  Eigen::Matrix2d first_inverse_;
  bool bent_;
  Eigen::Matrix2d shape_;
  double inv_blur_;
  double curvature_;        // of the edge, 1/px, mean over the ellipse
  double curvature_shift_;  // how far that moves the blurred edge inwards, in blurs
};

}  // namespace trueplate::target::detail
