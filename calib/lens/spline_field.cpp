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
constexpr int kNumRound = SplineField::kNumRound;

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

/// What of T and its slope each control has at u, the tangent beyond the last knot included.
struct RoundTaps {
  int first = 0;
  std::array<double, 4> value{};
  std::array<double, 4> slope{};
};

double round_reach(const double* parameters) {
  return Point2d(parameters[SplineField::kHalfWidth], parameters[SplineField::kHalfHeight])
      .squaredNorm();
}

/// nullopt where the half sizes leave no field.
std::optional<RoundTaps> round_taps(const double* parameters, double u) {
  if (!(parameters[SplineField::kHalfWidth] > 0.0) ||
      !(parameters[SplineField::kHalfHeight] > 0.0)) {
    return std::nullopt;
  }
  const double half = 0.5 * round_reach(parameters);
  const double beyond = std::max(0.0, u - 2.0 * half);
  const auto taps = CubicAxis(half, kNumRound).at(std::min(u - half, half));
  if (!taps) return std::nullopt;
  RoundTaps result{.first = taps->first, .value = taps->value, .slope = taps->slope};
  for (std::size_t a = 0; a < 4; ++a) result.value[a] += beyond * taps->slope[a];
  return result;
}

/// Calls visit(m, a) for the controls of T that the taps stand for.
template <class Visit>
void for_round_taps(const RoundTaps& taps, const Visit& visit) {
  for (int a = 0; a < 4; ++a) {
    // Of the fourth at the last knot nothing is left.
    if (taps.first + a < kNumRound) visit(taps.first + a, static_cast<std::size_t>(a));
  }
}

/// B_0, B_1, B_2 at u = 0.
constexpr std::array kAtAxis{1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0};

/// T(u) - T(0) with its slope.
struct Round {
  double value = 0.0;
  double slope = 0.0;
};

Round round_at(const double* parameters, const RoundTaps& taps) {
  const double* r = parameters + SplineField::kFirstRound;
  Round result;
  for_round_taps(taps, [&](int m, std::size_t a) {
    result.value += taps.value[a] * r[m];
    result.slope += taps.slope[a] * r[m];
  });
  for (std::size_t m = 0; m < kAtAxis.size(); ++m) result.value -= kAtAxis[m] * r[m];
  return result;
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

/// The same of p (T - T(0)).
void add_round(const Point2d& p,
               const double* parameters,
               Point2d& image,
               SplineField::ByIdeal& by_ideal,
               SplineField::ByParameters* by_parameters) {
  const double u = p.squaredNorm();
  const std::optional<RoundTaps> taps = round_taps(parameters, u);
  if (!taps) return;
  const Round round = round_at(parameters, *taps);
  image += round.value * p;
  by_ideal.diagonal().array() += round.value;
  by_ideal += 2.0 * round.slope * p * p.transpose();
  if (by_parameters == nullptr) return;
  for_round_taps(*taps, [&](int m, std::size_t a) {
    by_parameters->col(SplineField::kFirstRound + m) += taps->value[a] * p;
  });
  for (std::size_t m = 0; m < kAtAxis.size(); ++m) {
    by_parameters->col(SplineField::kFirstRound + static_cast<int>(m)) -= kAtAxis[m] * p;
  }
  // T knows u only as a share of its reach.
  const double by_reach = -round.slope * u / round_reach(parameters);
  for (const int half : {SplineField::kHalfWidth, SplineField::kHalfHeight}) {
    by_parameters->col(half) += by_reach * 2.0 * parameters[half] * p;
  }
}

/// The largest steps between neighbours among the 4 x 4 controls of a tile; zeros surround the
/// grid.
struct Steps {
  double along_x = 0.0;
  double along_y = 0.0;
};

Steps largest_steps(const double* controls, int first_column, int first_row) {
  const auto at = [&](int i, int j) {
    const bool inside = i >= 0 && i < kColumns && j >= 0 && j < kRows;
    return inside ? controls[j * kColumns + i] : 0.0;
  };
  Steps steps;
  for (int j = first_row; j < first_row + 4; ++j) {
    for (int i = first_column; i < first_column + 4; ++i) {
      const double here = at(i, j);
      if (i < first_column + 3) {
        steps.along_x = std::max(steps.along_x, std::abs(at(i + 1, j) - here));
      }
      if (j < first_row + 3) steps.along_y = std::max(steps.along_y, std::abs(at(i, j + 1) - here));
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

/// A stretch of the radius, or nearest and farthest of a place.
struct Reach {
  double begin = 0.0;
  double end = 0.0;
};

/// How near and far a stretch of an axis comes to 0.
Reach distance_of(double begin, double end) {
  const double least = begin > 0.0 ? begin : (end < 0.0 ? -end : 0.0);
  return {least, std::max(std::abs(begin), std::abs(end))};
}

/// The polynomial's values and a bound on its slope's size over u - half_width .. u + half_width.
struct Cubic {
  std::array<double, 4> c;  // of 1, u, u^2, u^3

  [[nodiscard]] double at(double u) const { return c[0] + u * (c[1] + u * (c[2] + u * c[3])); }
  [[nodiscard]] double steepest(double u, double half_width) const {
    return std::abs(c[1] + u * (2.0 * c[2] + u * 3.0 * c[3])) +
           half_width * std::abs(2.0 * c[2] + 6.0 * u * c[3]) +
           half_width * half_width * 3.0 * std::abs(c[3]);
  }
};

/// What is round about the axis and the tangential terms: how fast they grow at least.
///
/// With R(u) the factor of p, u = r^2 and q = (p2, p1), the smaller eigenvalue of the Jacobian is
/// at least the smaller of R + 2 u R' - 8 |q| r and R - 4 |q| r.
class RoundGrowth {
 public:
  explicit RoundGrowth(const double* parameters)
      : parameters_(parameters),
        q_(std::hypot(parameters[3], parameters[4])),
        tangential_{{1.0, parameters[0], parameters[1], parameters[2]}},
        radial_{{1.0, 3.0 * parameters[0], 5.0 * parameters[1], 7.0 * parameters[2]}} {}

  /// Over a stretch of radii; NaN where a number overflows.
  [[nodiscard]] double least(const Reach& r) const {
    const double begin = r.begin * r.begin;
    const double end = r.end * r.end;
    const double u = 0.5 * (begin + end);
    const double half_width = 0.5 * (end - begin);
    double radial = radial_.at(u) - half_width * radial_.steepest(u, half_width);
    double tangential = tangential_.at(u) - half_width * tangential_.steepest(u, half_width);
    if (const auto taps = round_taps(parameters_, u)) {
      const Round round = round_at(parameters_, *taps);
      const double curved = most_curved(begin, end);
      const double slope = std::abs(round.slope) + half_width * curved;
      radial +=
          round.value + 2.0 * u * round.slope - half_width * (3.0 * slope + 2.0 * end * curved);
      tangential += round.value - half_width * slope;
    }
    return std::min(radial - 8.0 * q_ * r.end, tangential - 4.0 * q_ * r.end);
  }

  /// The least radius from `start` on, beyond the last knot, where the growth has fallen to 0.
  [[nodiscard]] double first_fall_beyond(double start) const {
    Round line;
    double reach = 0.0;
    if (const auto taps = round_taps(parameters_, round_reach(parameters_))) {
      line = round_at(parameters_, *taps);
      reach = round_reach(parameters_);
    }
    const double at_axis = line.value - line.slope * reach;
    const auto [k1, k2, k3] = std::array{parameters_[0], parameters_[1], parameters_[2]};
    using Polynomial = std::array<double, 7>;
    double result = std::numeric_limits<double>::infinity();
    for (Polynomial c :
         {Polynomial{
              1.0 + at_axis, -8.0 * q_, 3.0 * (k1 + line.slope), 0.0, 5.0 * k2, 0.0, 7.0 * k3},
          Polynomial{1.0 + at_axis, -4.0 * q_, k1 + line.slope, 0.0, k2, 0.0, k3}}) {
      // In powers of r - start.
      for (std::size_t i = 0; i + 1 < c.size(); ++i) {
        for (std::size_t k = c.size() - 1; k-- > i;) c[k] += start * c[k + 1];
      }
      if (!(c[0] > 0.0) ||
          !std::all_of(c.begin(), c.end(), [](double value) { return std::isfinite(value); })) {
        return start;
      }
      result = std::min(result, start + first_positive_root(c));
    }
    return result;
  }

 private:
  /// A bound on |T''| over a stretch of u: a weighted mean of second differences.
  [[nodiscard]] double most_curved(double begin, double end) const {
    const double cell = round_reach(parameters_) / (kNumRound - 3);
    const int first = static_cast<int>(std::min(begin / cell, double{kNumRound}));
    const int last = static_cast<int>(std::min(end / cell, kNumRound - 4.0));
    const double* r = parameters_ + SplineField::kFirstRound;
    double result = 0.0;
    for (int m = first; m <= last + 1; ++m) {
      result = std::max(result, std::abs(r[m] - 2.0 * r[m + 1] + r[m + 2]));
    }
    return result / (cell * cell);
  }

  const double* parameters_;
  double q_;
  Cubic tangential_;
  Cubic radial_;
};

/// The first place of a stretch where the growth is not proven above `floor`; infinity when there
/// is none. Halves the stretch where the bounds are not tight enough, from the left.
class FirstUnproven {
 public:
  explicit FirstUnproven(const RoundGrowth& growth) : growth_(growth) {}

  double operator()(double floor, const Reach& r, int halvings = 40) {
    if (growth_.least(r) > floor) return std::numeric_limits<double>::infinity();
    if (halvings == 0 || --budget_ < 0) return r.begin;
    const double middle = 0.5 * (r.begin + r.end);
    const double left = (*this)(floor, {r.begin, middle}, halvings - 1);
    if (left < std::numeric_limits<double>::infinity()) return left;
    return (*this)(floor, {middle, r.end}, halvings - 1);
  }

 private:
  const RoundGrowth& growth_;
  int budget_ = 100'000;  // a growth that stays just above the floor could take for ever
};

/// Radius of the disc in which, tile by tile of the grid, what is round grows more than the
/// displacement could take back. Along an axis the displacement's derivative is a weighted mean of
/// the steps between the tile's neighbouring controls over the cell's width.
double proven_radius(const double* parameters) {
  const RoundGrowth growth(parameters);
  const double half_width = parameters[SplineField::kHalfWidth];
  const double half_height = parameters[SplineField::kHalfHeight];
  if (!(half_width > 0.0) || !(half_height > 0.0)) return growth.first_fall_beyond(0.0);
  const double cell_x = CubicAxis(half_width, kColumns).cell();
  const double cell_y = CubicAxis(half_height, kRows).cell();
  const double field_ends = std::hypot(half_width + 3.0 * cell_x, half_height + 3.0 * cell_y);
  if (!(round_reach(parameters) > 0.0) || !std::isfinite(field_ends * field_ends)) return 0.0;
  FirstUnproven first_unproven(growth);
  double radius = first_unproven(0.0, {0.0, field_ends});
  if (!(radius < field_ends)) radius = growth.first_fall_beyond(field_ends);
  for (int row = -3; row < kRows; ++row) {
    const Reach y = distance_of(row * cell_y - half_height, (row + 1) * cell_y - half_height);
    for (int column = -3; column < kColumns; ++column) {
      const Reach x = distance_of(column * cell_x - half_width, (column + 1) * cell_x - half_width);
      const Reach r{std::hypot(x.begin, y.begin), std::min(radius, std::hypot(x.end, y.end))};
      if (!(r.begin < r.end)) continue;
      const Steps sx = largest_steps(parameters + SplineField::kFirstX, column, row);
      const Steps sy = largest_steps(parameters + SplineField::kFirstY, column, row);
      const double stretch = std::max(sx.along_x / cell_x, sy.along_y / cell_y);
      const double shear = 0.5 * (sx.along_y / cell_y + sy.along_x / cell_x);
      radius = std::min(radius, first_unproven(stretch + shear, r));
    }
  }
  return radius;
}

}  // namespace

SplineField::SplineField(const Parameters& parameters)
    : parameters_(parameters),
      max_radius_(0.0),
      max_image_radius_(std::numeric_limits<double>::infinity()) {
  max_radius_ = proven_radius(parameters_.data());
  if (!std::isfinite(max_radius_)) return;
  // What is round grows up to the edge; the tangential part is at most 3 |q| r^2 long.
  const double r2 = max_radius_ * max_radius_;
  double factor = 1.0 + r2 * (parameters[0] + r2 * (parameters[1] + r2 * parameters[2]));
  if (const auto taps = round_taps(parameters_.data(), r2)) {
    factor += round_at(parameters_.data(), *taps).value;
  }
  const double reach = max_radius_ * factor + 3.0 * std::hypot(parameters[3], parameters[4]) * r2 +
                       std::hypot(largest(&parameters[kFirstX]), largest(&parameters[kFirstY]));
  max_image_radius_ = reach * (1.0 + 1e-6);
}

std::array<double, SplineField::kNumRound> SplineField::round_controls(const Eigen::Vector3d& k,
                                                                       const Point2d& half_size) {
  // The blossom of the polynomial at the three inner knots of each spline (de Boor).
  const double cell = half_size.squaredNorm() / (kNumRound - 3);
  std::array<double, kNumRound> result{};
  for (int m = 0; m < kNumRound; ++m) {
    const double u = (m - 1) * cell;
    result[static_cast<std::size_t>(m)] =
        k(0) * u + k(1) * (u * u - cell * cell / 3.0) + k(2) * (u * u * u - u * cell * cell);
  }
  return result;
}

Point2d SplineField::distort(const Point2d& p_ideal, const double* parameters) {
  Point2d result = RadialTangential::distort(p_ideal, parameters);
  if (const auto taps = round_taps(parameters, p_ideal.squaredNorm())) {
    result += round_at(parameters, *taps).value * p_ideal;
  }
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
  add_round(p_ideal, parameters, result, by_ideal, by_parameters);
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
    by_parameters->col(kHalfWidth) += field.col(0) * (-p_ideal.x() / parameters[kHalfWidth]);
    by_parameters->col(kHalfHeight) += field.col(1) * (-p_ideal.y() / parameters[kHalfHeight]);
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
