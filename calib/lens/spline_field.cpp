#include "calib/lens/spline_field.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "calib/lens/cubic_basis.h"
#include "calib/lens/detail/inverse.h"
#include "calib/lens/polynomial.h"

namespace trueplate::lens {
namespace {

constexpr int kColumns = SplineField::kColumns;
constexpr int kRows = SplineField::kRows;

/// Calls visit(control, a, b) for the controls whose splines are not zero at a place; a and b count
/// the taps along x and y.
template <class Visit>
void for_taps(const CubicTaps& along_x, const CubicTaps& along_y, const Visit& visit) {
  for (int b = 0; b < 4; ++b) {
    const int row = along_y.first + b;
    if (row < 0 || row >= kRows) continue;
    for (int a = 0; a < 4; ++a) {
      const int column = along_x.first + a;
      if (column < 0 || column >= kColumns) continue;
      visit(row * kColumns + column, static_cast<std::size_t>(a), static_cast<std::size_t>(b));
    }
  }
}

/// The base's image with its derivatives by the point and the five coefficients.
void add_base(const Point2d& p,
              const double* k,
              SplineField::ByIdeal& by_ideal,
              SplineField::ByParameters* by_parameters) {
  const double x = p.x();
  const double y = p.y();
  const double r2 = p.squaredNorm();
  const double radial = 1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[2]));
  const double slope = k[0] + r2 * (2.0 * k[1] + r2 * 3.0 * k[2]);  // d radial / d r2
  const double p1 = k[3];
  const double p2 = k[4];
  by_ideal(0, 0) += radial + 2.0 * x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x;
  by_ideal(1, 1) += radial + 2.0 * y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x;
  const double mixed = 2.0 * x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y;
  by_ideal(0, 1) += mixed;
  by_ideal(1, 0) += mixed;
  if (by_parameters == nullptr) return;
  by_parameters->col(0) = r2 * p;
  by_parameters->col(1) = r2 * r2 * p;
  by_parameters->col(2) = r2 * r2 * r2 * p;
  by_parameters->col(3) << 2.0 * x * y, r2 + 2.0 * y * y;
  by_parameters->col(4) << r2 + 2.0 * x * x, 2.0 * x * y;
}

/// The largest step between neighbouring values of a grid that is surrounded by zeros.
struct Steps {
  double along_x = 0.0;
  double along_y = 0.0;
};

Steps largest_steps(const double* controls) {
  const auto at = [&](int i, int j) {
    const bool inside = i >= 0 && i < kColumns && j >= 0 && j < kRows;
    return inside ? controls[j * kColumns + i] : 0.0;
  };
  Steps steps;
  for (int j = -1; j < kRows; ++j) {
    for (int i = -1; i < kColumns; ++i) {
      steps.along_x = std::max(steps.along_x, std::abs(at(i + 1, j) - at(i, j)));
      steps.along_y = std::max(steps.along_y, std::abs(at(i, j + 1) - at(i, j)));
    }
  }
  return steps;
}

double largest(const double* controls) {
  double result = 0.0;
  for (int i = 0; i < SplineField::kNumControls; ++i) {
    result = std::max(result, std::abs(controls[i]));
  }
  return result;
}

/// A bound on the norm of the symmetric part of the displacement's Jacobian. Along an axis the
/// derivative is a weighted mean of the steps between neighbouring controls over the cell's width.
double steepness(const double* parameters) {
  const double half_width = parameters[SplineField::kHalfWidth];
  const double half_height = parameters[SplineField::kHalfHeight];
  if (!(half_width > 0.0) || !(half_height > 0.0)) return 0.0;
  const double cell_x = CubicAxis(half_width, kColumns).cell();
  const double cell_y = CubicAxis(half_height, kRows).cell();
  const Steps x = largest_steps(parameters + SplineField::kFirstX);
  const Steps y = largest_steps(parameters + SplineField::kFirstY);
  const double stretch = std::max(x.along_x / cell_x, y.along_y / cell_y);
  const double shear = 0.5 * (x.along_y / cell_y + y.along_x / cell_x);
  return stretch + shear;
}

}  // namespace

SplineField::SplineField(const Parameters& parameters)
    : parameters_(parameters),
      max_radius_(0.0),
      max_image_radius_(std::numeric_limits<double>::infinity()) {
  const auto [k1, k2, k3, p1, p2] =
      std::array{parameters[0], parameters[1], parameters[2], parameters[3], parameters[4]};
  const double q = std::hypot(p1, p2);
  const double rest = 1.0 - steepness(parameters.data());
  if (!(rest > 0.0)) return;
  const std::array radial{rest, -8.0 * q, 3.0 * k1, 0.0, 5.0 * k2, 0.0, 7.0 * k3};
  const std::array tangential{rest, -4.0 * q, k1, 0.0, k2, 0.0, k3};
  for (const auto& polynomial : {radial, tangential}) {
    if (!std::all_of(
            polynomial.begin(), polynomial.end(), [](double c) { return std::isfinite(c); })) {
      return;
    }
  }
  max_radius_ = std::min(first_positive_root(radial), first_positive_root(tangential));
  if (!std::isfinite(max_radius_)) return;
  // The radial part grows up to the edge; the tangential one is at most 3 |q| r^2 long.
  const double r2 = max_radius_ * max_radius_;
  const double reach = max_radius_ * (1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))) + 3.0 * q * r2 +
                       std::hypot(largest(&parameters[kFirstX]), largest(&parameters[kFirstY]));
  max_image_radius_ = reach * (1.0 + 1e-6);
}

Point2d SplineField::distort(const Point2d& p_ideal, const double* parameters) {
  Point2d result = RadialTangential::distort(p_ideal, parameters);
  const auto along_x = CubicAxis(parameters[kHalfWidth], kColumns).at(p_ideal.x());
  const auto along_y = CubicAxis(parameters[kHalfHeight], kRows).at(p_ideal.y());
  if (!along_x || !along_y) return result;
  for_taps(*along_x, *along_y, [&](int control, std::size_t a, std::size_t b) {
    const double weight = along_x->value[a] * along_y->value[b];
    result += weight * Point2d(parameters[kFirstX + control], parameters[kFirstY + control]);
  });
  return result;
}

Point2d SplineField::distort_with_derivatives(const Point2d& p_ideal,
                                              const double* parameters,
                                              ByIdeal& by_ideal,
                                              ByParameters* by_parameters) {
  by_ideal.setZero();
  if (by_parameters != nullptr) by_parameters->setZero();
  add_base(p_ideal, parameters, by_ideal, by_parameters);
  Point2d result = RadialTangential::distort(p_ideal, parameters);
  const auto along_x = CubicAxis(parameters[kHalfWidth], kColumns).at(p_ideal.x());
  const auto along_y = CubicAxis(parameters[kHalfHeight], kRows).at(p_ideal.y());
  if (!along_x || !along_y) return result;
  ByIdeal field = ByIdeal::Zero();
  for_taps(*along_x, *along_y, [&](int control, std::size_t a, std::size_t b) {
    const double weight = along_x->value[a] * along_y->value[b];
    const Point2d value(parameters[kFirstX + control], parameters[kFirstY + control]);
    result += weight * value;
    field.col(0) += along_x->slope[a] * along_y->value[b] * value;
    field.col(1) += along_x->value[a] * along_y->slope[b] * value;
    if (by_parameters == nullptr) return;
    (*by_parameters)(0, kFirstX + control) = weight;
    (*by_parameters)(1, kFirstY + control) = weight;
  });
  by_ideal += field;
  if (by_parameters != nullptr) {
    // The splines know a coordinate only as a share of the half size.
    by_parameters->col(kHalfWidth) = field.col(0) * (-p_ideal.x() / parameters[kHalfWidth]);
    by_parameters->col(kHalfHeight) = field.col(1) * (-p_ideal.y() / parameters[kHalfHeight]);
  }
  return result;
}

std::optional<LocalField> SplineField::local_field() const {
  const Point2d half(parameters_[kHalfWidth], parameters_[kHalfHeight]);
  if (!(half.minCoeff() > 0.0)) return std::nullopt;
  constexpr int kFadingCells = 3;  // CubicAxis
  return LocalField{.half_size = half,
                    .fade = kFadingCells * Point2d(CubicAxis(half.x(), kColumns).cell(),
                                                   CubicAxis(half.y(), kRows).cell()),
                    .num_formula = kFirstX};
}

std::optional<Point2d> SplineField::distort(const Point2d& p_ideal) const {
  // Written so that a NaN fails.
  if (!(p_ideal.norm() < max_radius_)) return std::nullopt;
  const Point2d p = distort(p_ideal, parameters_.data());
  if (!p.allFinite()) return std::nullopt;
  return p;
}

std::optional<Point2d> SplineField::undistort(const Point2d& p_distorted) const {
  // Beyond 1e154 the norm overflows, and an infinite tolerance would accept anything.
  if (!std::isfinite(p_distorted.squaredNorm()) || !(max_radius_ > 0.0)) return std::nullopt;
  const double height = p_distorted.norm();
  if (height > max_image_radius_) return std::nullopt;
  const double limit = 0.95 * max_radius_;
  const Point2d start = height < limit ? p_distorted : Point2d(p_distorted * (limit / height));
  const auto map = [&](const Point2d& p) {
    ByIdeal by_ideal;
    const Point2d image = distort_with_derivatives(p, parameters_.data(), by_ideal, nullptr);
    return detail::LocalMap{.image = image,
                            .xx = by_ideal(0, 0),
                            .xy = by_ideal(0, 1),
                            .yx = by_ideal(1, 0),
                            .yy = by_ideal(1, 1)};
  };
  return detail::inverse_of(
      map,
      [&](const Point2d& p) { return p.norm() < max_radius_; },
      p_distorted,
      kInverseTolerance * std::max(1.0, height),
      start);
}

}  // namespace trueplate::lens
