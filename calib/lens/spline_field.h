#pragma once

#include <Eigen/Core>
#include <array>
#include <cstddef>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"
#include "calib/lens/local_field.h"
#include "calib/lens/radial_tangential.h"

namespace trueplate::lens {

/// The smooth spline field, from undistorted to distorted coordinates (U-D): a radial-tangential
/// base with a free radial function and a free displacement added, for lenses that no formula
/// meets.
///
///     p' = base(p) + p (T(x^2 + y^2) - T(0)) + sum_ij (sx_i_j, sy_i_j) B_i(x) B_j(y)
///     T(u) = sum_m r_m B_m(u)
/// with the base of RadialTangential (k1, k2, k3, p1, p2) and uniform cubic B-splines. kNumRound of
/// them cover 0 <= u <= half_width^2 + half_height^2, beyond which T goes on along its tangent;
/// kColumns by kRows cover the rectangle |x| <= half_width, |y| <= half_height of ideal points.
/// Outside the rectangle the displacement fades to 0 within three cells, twice continuously
/// differentiable, and beyond there is what is round about the axis alone. Lenses are turned on a
/// lathe: T resolves what they do along the radius far more finely than a grid over the plane
/// could, and the grid takes what is not round. Tensor products of B-splines: C. de Boor, A
/// Practical Guide to Splines, 1978.
///
/// Domain: the disc of max_radius(), on which the map is proven one-to-one: there the symmetric
/// part of the Jacobian is positive definite, and on a convex set that suffices. The proof goes
/// tile by tile of the grid, with interval bounds along the radius; it is on the safe side.
/// Derivation in docs/lens-models.md.
class SplineField {
 public:
  static constexpr std::string_view kName = "spline-field";
  static constexpr int kColumns = 10;  // B-splines along x
  static constexpr int kRows = 7;      // along y
  static constexpr int kNumControls = kColumns * kRows;
  static constexpr int kNumRound = 10;  // along the square of the radius

  // Where in the parameters things are. Controls of one row of the grid are neighbours.
  static constexpr int kNumBase = RadialTangential::kNumParameters;
  static constexpr int kHalfWidth = kNumBase;
  static constexpr int kHalfHeight = kNumBase + 1;
  static constexpr int kFirstRound = kNumBase + 2;
  static constexpr int kFirstX = kFirstRound + kNumRound;
  static constexpr int kFirstY = kFirstX + kNumControls;
  static constexpr int kNumParameters = kFirstY + kNumControls;

  /// k1, k2, k3, p1, p2, half_width, half_height, r_0 .. r_9, sx_0_0, sx_1_0 .. sx_9_6, sy_0_0 ..
  /// sy_9_6: the column comes first.
  // A constant as all models have it, constexpr where it is defined below.
  // NOLINTNEXTLINE(readability-identifier-naming)
  static const std::array<std::string_view, kNumParameters> kParameterNames;

  using Parameters = std::array<double, kNumParameters>;

  /// In the order of kParameterNames; all zero means no distortion, and half sizes that are not
  /// above zero mean the base alone. The values must be finite.
  explicit SplineField(const Parameters& parameters = {});

  [[nodiscard]] const Parameters& parameters() const { return parameters_; }

  /// The controls r_m for which T is k1 u + k2 u^2 + k3 u^3 on all of its axis; `half_size` of the
  /// rectangle, above zero.
  [[nodiscard]] static std::array<double, kNumRound> round_controls(const Eigen::Vector3d& k,
                                                                    const Point2d& half_size);

  /// The formula above. Pure.
  [[nodiscard]] static Point2d distort(const Point2d& p_ideal, const double* parameters);

  using ByIdeal = Eigen::Matrix2d;
  using ByParameters = Eigen::Matrix<double, 2, kNumParameters>;

  /// distort() with its derivatives by the ideal point and, unless null, by the parameters.
  static Point2d distort_with_derivatives(const Point2d& p_ideal,
                                          const double* parameters,
                                          ByIdeal& by_ideal,
                                          ByParameters* by_parameters);

  /// Where the lens images p_ideal, or nullopt at and beyond max_radius() and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort(const Point2d& p_ideal) const;

  /// Inverse of distort(): the one p_ideal inside max_radius() with |distort(p_ideal) -
  /// p_distorted| <= kInverseTolerance * max(1, |p_distorted|), or nullopt when there is none.
  [[nodiscard]] std::optional<Point2d> undistort(const Point2d& p_distorted) const;

  /// Radius of the disc of ideal points on which the lens is proven one-to-one; 0 when the
  /// displacement is too steep for the proof, infinity when the map never folds.
  [[nodiscard]] double max_radius() const { return max_radius_; }
  [[nodiscard]] double domain_radius(const Point2d& /*direction*/) const { return max_radius_; }

  /// Where the displacement is; nullopt where the half sizes leave none.
  [[nodiscard]] std::optional<LocalField> local_field() const;

  friend bool operator==(const SplineField& a, const SplineField& b) {
    return a.parameters_ == b.parameters_;
  }

 private:
  Parameters parameters_;
  double max_radius_;
  double max_image_radius_;  // no point of the domain is imaged farther out
};

namespace detail {

/// "r_0" .. "r_9".
inline constexpr auto kRoundNames = [] {
  static_assert(SplineField::kNumRound <= 10);
  std::array<std::array<char, 3>, static_cast<std::size_t>(SplineField::kNumRound)> names{};
  for (std::size_t m = 0; m < names.size(); ++m) {
    names[m] = {'r', '_', static_cast<char>('0' + m)};
  }
  return names;
}();

/// "sx_0_0" .. "sy_9_6", in the parameters' order.
inline constexpr auto kControlNames = [] {
  static_assert(SplineField::kColumns <= 10 && SplineField::kRows <= 10);
  std::array<std::array<char, 6>, static_cast<std::size_t>(2 * SplineField::kNumControls)> names{};
  std::size_t k = 0;
  for (const char axis : {'x', 'y'}) {
    for (int j = 0; j < SplineField::kRows; ++j) {
      for (int i = 0; i < SplineField::kColumns; ++i) {
        names[k++] = {'s', axis, '_', static_cast<char>('0' + i), '_', static_cast<char>('0' + j)};
      }
    }
  }
  return names;
}();

}  // namespace detail

inline constexpr std::array<std::string_view, SplineField::kNumParameters>
    SplineField::kParameterNames = [] {
      std::array<std::string_view, static_cast<std::size_t>(kNumParameters)> names{};
      std::size_t k = 0;
      for (const std::string_view name : RadialTangential::kParameterNames) names[k++] = name;
      names[k++] = "half_width";
      names[k++] = "half_height";
      for (const auto& name : detail::kRoundNames) names[k++] = {name.data(), name.size()};
      for (const auto& name : detail::kControlNames) names[k++] = {name.data(), name.size()};
      return names;
    }();

}  // namespace trueplate::lens
