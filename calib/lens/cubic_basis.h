#pragma once

#include <array>
#include <cmath>
#include <optional>

namespace trueplate::lens {

/// The four cubic B-splines on uniform knots that are not zero at one place of an axis, with their
/// derivatives by the axis' coordinate. C. de Boor, A Practical Guide to Splines, 1978 (the uniform
/// cubic written out).
struct CubicTaps {
  int first = 0;  // index of the first of the four; may lie outside [0, number of splines)
  std::array<double, 4> value{};
  std::array<double, 4> slope{};      // by the coordinate
  std::array<double, 4> curvature{};  // second derivative by the coordinate
};

/// An axis over [-half, half] that `num_splines` uniform cubic B-splines cover fully, in
/// num_splines
/// - 3 cells. Beyond, their sum fades to 0 within three more cells, with two continuous
/// derivatives.
class CubicAxis {
 public:
  constexpr CubicAxis(double half, int num_splines)
      : half_(half), num_splines_(num_splines), cell_(2.0 * half / (num_splines - 3)) {}

  [[nodiscard]] constexpr double cell() const { return cell_; }

  /// nullopt where all splines are 0, for NaN, and everywhere when half is not above 0.
  [[nodiscard]] std::optional<CubicTaps> at(double x) const {
    const double s = (x + half_) / cell_;
    if (!(half_ > 0.0) || !(s > -3.0 && s < num_splines_)) return std::nullopt;
    const double whole = std::floor(s);
    const double t = s - whole;
    const double u = 1.0 - t;
    const double by_x = 1.0 / cell_;
    CubicTaps taps;
    taps.first = static_cast<int>(whole);
    taps.value = {u * u * u / 6.0,
                  (4.0 + t * t * (3.0 * t - 6.0)) / 6.0,
                  (4.0 + u * u * (3.0 * u - 6.0)) / 6.0,
                  t * t * t / 6.0};
    taps.slope = {-0.5 * u * u * by_x,
                  (1.5 * t * t - 2.0 * t) * by_x,
                  (2.0 * u - 1.5 * u * u) * by_x,
                  0.5 * t * t * by_x};
    const double by_x2 = by_x * by_x;
    taps.curvature = {u * by_x2, (3.0 * t - 2.0) * by_x2, (3.0 * u - 2.0) * by_x2, t * by_x2};
    return taps;
  }

 private:
  double half_;
  int num_splines_;
  double cell_;
};

}  // namespace trueplate::lens
