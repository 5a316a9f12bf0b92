#pragma once

#include <Eigen/Core>
#include <array>

#include "calib/target/detail/bends.h"

namespace trueplate::target::detail {

/// What is known beforehand of two lines: how they bend, and by which share their widths grow per
/// px towards +u and +v (perspective makes the far end of a line thinner).
struct LineShapes {
  Bends bends;
  double taper_u = 0.0;
  double taper_v = 0.0;
};

/// The image of two crossing lines at one set of unknowns; the formula stands at
/// fit_line_crossing().
class LineCrossingModel {
 public:
  enum Unknown {
    kX,  // the crossing, px
    kY,
    kAngleU,  // of the lines' directions, rad, x right and y down
    kAngleV,
    kLogBlur,    // natural logarithms of lengths in px
    kLogWidthU,  // of line u
    kLogWidthV,
    kA,  // the image: A + A_x x + A_y y + (B + B_x x + B_y y) s
    kAx,
    kAy,
    kB,
    kBx,
    kBy,
    kNumUnknowns,
  };
  static constexpr int kNumNonlinear = kA;
  using Unknowns = Eigen::Matrix<double, kNumUnknowns, 1>;

  /// Terms of the series that makes two oblique lines dependent, beyond the product. What is left
  /// out is below |r|^(kSeriesTerms + 1), r the cosine of the angle between the lines.
  static constexpr int kSeriesTerms = 6;

  LineCrossingModel(const Unknowns& unknowns, const LineShapes& shapes);

  /// Value at the point (x, y), px; its derivatives by the unknowns too when `row` is not null.
  double at(double x, double y, Unknowns* row) const;

  /// Share of ink at a point: 0 beyond both lines, 1 deep inside a line.
  [[nodiscard]] double ink(double x, double y) const;

  /// Signed distances of a point from the middle of line u (positive towards +v) and of line v
  /// (positive towards +u), px.
  [[nodiscard]] std::array<double, 2> distances(double x, double y) const;

 private:
  // Of a blurred bar: its profile and the profile's derivatives by place (in blurs), and how each
  // of them changes with the logarithms of width and blur.
  struct Bar {
    std::array<double, kSeriesTerms + 2> value{};
    std::array<double, kSeriesTerms + 1> by_log_width{};
    std::array<double, kSeriesTerms + 1> by_log_blur{};
  };
  struct Place {
    double tu, tv, nu, nv;    // along and across the lines, px
    double h, k;              // bent distances, in blurs
    double grown_u, grown_v;  // widths here, as shares of those at the crossing
  };

  [[nodiscard]] Place place_of(double x, double y) const;
  [[nodiscard]] static Bar bar(double place, double half_width);

  Unknowns p_;
  double cos_u_, sin_u_, cos_v_, sin_v_;
  double inv_blur_;
  double half_u_, half_v_;  // half widths in blurs
  LineShapes shapes_;
  double correlation_;
  double correlation_by_angle_v_;
};

}  // namespace trueplate::target::detail
