#pragma once

#include <array>
#include <memory>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/lens/inverse_tolerance.h"

namespace trueplate::lens {

namespace detail {
class StarDomain;
}

/// A lens model made of a formula alone: domain and inverse follow from it.
///
/// Formula has kName, kNumParameters, kParameterNames, and
///     template <class T, class C>
///     static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters);
/// from undistorted to distorted coordinates (U-D) on the plane z = 1, for any scalar T and
/// parameters C of the same scalar or plain numbers. All parameters zero means no distortion.
///
/// Domain: a polygon, star-shaped about the axis, on which the map is proven one-to-one by interval
/// arithmetic (docs/lens-models.md). It is on the safe side, ends 76 degrees off the axis at the
/// latest, and is empty where nothing can be proven. Finding it takes some milliseconds: it is done
/// when a model is made, and shared by its copies.
template <class Formula>
class StarModel {
 public:
  static constexpr std::string_view kName = Formula::kName;
  static constexpr int kNumParameters = Formula::kNumParameters;
  static constexpr auto kParameterNames = Formula::kParameterNames;
  using Parameters = std::array<double, static_cast<std::size_t>(kNumParameters)>;

  /// The values must be finite.
  explicit StarModel(const Parameters& parameters = {});

  [[nodiscard]] const Parameters& parameters() const { return parameters_; }

  /// The formula. Pure. Outside the domain the mapping may fold back or be NaN.
  template <class T, class C>
  static Point2<T> distort(const Point2<T>& p_ideal, const C* parameters) {
    return Formula::distort(p_ideal, parameters);
  }

  /// As at Rational, for formulas that have it.
  template <class F = Formula>
  requires requires(const Point2d& p, const double* c) { F::allows_corner(p, c); }
  static bool allows_corner(const Point2d& p_ideal, const double* parameters) {
    return F::allows_corner(p_ideal, parameters);
  }

  /// Where the lens images p_ideal, or nullopt outside the domain and for non-finite input.
  [[nodiscard]] std::optional<Point2d> distort(const Point2d& p_ideal) const;

  /// Inverse of distort(): the one p_ideal in the domain with |distort(p_ideal) - p_distorted| <=
  /// kInverseTolerance * max(1, |p_distorted|), or nullopt when there is none.
  [[nodiscard]] std::optional<Point2d> undistort(const Point2d& p_distorted) const;

  /// How far the domain reaches from the axis in a direction (a unit vector), and in all of them.
  [[nodiscard]] double domain_radius(const Point2d& direction) const;
  [[nodiscard]] double max_radius() const;

  friend bool operator==(const StarModel& a, const StarModel& b) {
    return a.parameters_ == b.parameters_;
  }

 private:
  Parameters parameters_;
  std::shared_ptr<const detail::StarDomain> domain_;
};

}  // namespace trueplate::lens
