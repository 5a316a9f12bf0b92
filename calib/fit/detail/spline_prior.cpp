#include "calib/fit/detail/spline_prior.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <vector>

#include "calib/base/decompositions.h"
#include "calib/fit/detail/map_uncertainty.h"
#include "calib/lens/cubic_basis.h"
#include "calib/lens/model.h"
#include "calib/lens/spline_field.h"

namespace trueplate::fit::detail {
namespace {

using lens::SplineField;

// Weight, in pixels of residual, of the half sizes' share of themselves: they do not move.
constexpr double kHeldHalfSize = 1e6;

/// Integrals over the whole of an axis.
struct AxisIntegrals {
  Eigen::MatrixXd value;      // of B_i B_k
  Eigen::MatrixXd slope;      // of B_i' B_k'
  Eigen::MatrixXd curvature;  // of B_i'' B_k''
};

/// A point of an axis with its weight in an integral over the whole of it.
struct Node {
  double weight;
  lens::CubicTaps taps;
};

/// Gauss and Legendre's four points in each cell, exact for the products of two cubics (Abramowitz
/// and Stegun, Handbook of Mathematical Functions, 1964, table 25.4).
std::vector<Node> nodes_of(double half, int num_splines) {
  constexpr std::array kPoints{
      -0.861136311594053, -0.339981043584856, 0.339981043584856, 0.861136311594053};
  constexpr std::array kWeights{
      0.347854845137454, 0.652145154862546, 0.652145154862546, 0.347854845137454};
  const lens::CubicAxis axis(half, num_splines);
  std::vector<Node> nodes;
  for (int cell = 0; cell < num_splines - 3; ++cell) {
    for (std::size_t g = 0; g < kPoints.size(); ++g) {
      const double t = -half + axis.cell() * (cell + 0.5 * (1.0 + kPoints[g]));
      const std::optional<lens::CubicTaps> taps = axis.at(t);
      if (taps) nodes.push_back({0.5 * axis.cell() * kWeights[g], *taps});
    }
  }
  return nodes;
}

AxisIntegrals integrals_of(const std::vector<Node>& nodes, int num_splines) {
  AxisIntegrals result;
  result.value = Eigen::MatrixXd::Zero(num_splines, num_splines);
  result.slope = result.value;
  result.curvature = result.value;
  for (const Node& node : nodes) {
    const int first = node.taps.first;
    const auto value = Eigen::Map<const Eigen::Vector4d>(node.taps.value.data());
    const auto slope = Eigen::Map<const Eigen::Vector4d>(node.taps.slope.data());
    const auto curvature = Eigen::Map<const Eigen::Vector4d>(node.taps.curvature.data());
    result.value.block<4, 4>(first, first) += node.weight * value * value.transpose();
    result.slope.block<4, 4>(first, first) += node.weight * slope * slope.transpose();
    result.curvature.block<4, 4>(first, first) += node.weight * curvature * curvature.transpose();
  }
  return result;
}

/// `factor` times the products of two axes' integrals are added to `sum`.
void add_product(const Eigen::MatrixXd& along_x,
                 const Eigen::MatrixXd& along_y,
                 double factor,
                 Eigen::MatrixXd& sum) {
  const Eigen::Index n = along_x.rows();
  for (Eigen::Index j = 0; j < along_y.rows(); ++j) {
    for (Eigen::Index l = 0; l < along_y.cols(); ++l) {
      sum.block(j * n, l * n, n, n) += factor * along_y(j, l) * along_x;
    }
  }
}

/// What a radial-tangential base does along the radius, done by T, but for a k1 that reaches the
/// same at the rectangle's corner: the powers of a wild base would run away beyond it.
void make_round(double* k) {
  const Point2d half(k[SplineField::kHalfWidth], k[SplineField::kHalfHeight]);
  const double u = half.squaredNorm();
  const double tame = k[0] + u * (k[1] + u * k[2]);
  const auto controls = SplineField::round_controls({k[0] - tame, k[1], k[2]}, half);
  k[0] = tame;
  k[1] = 0.0;
  k[2] = 0.0;
  std::copy(controls.begin(), controls.end(), k + SplineField::kFirstRound);
}

/// Half sizes of the rectangle: a field's own, else those about the axis that hold the straightened
/// border of the plate; of the border without distortion where it has no inverse.
Point2d half_sizes(const lens::Lens& lens) {
  if (const auto field = lens::local_field(lens.model)) return field->half_size;
  constexpr int kSteps = 32;
  const double width = lens.plate_size.width;
  const double height = lens.plate_size.height;
  Point2d result(0.0, 0.0);
  for (int i = 0; i <= kSteps; ++i) {
    const double s = static_cast<double>(i) / kSteps;
    for (const Point2d& p : {Point2d(s * width, 0.0),
                             Point2d(s * width, height),
                             Point2d(0.0, s * height),
                             Point2d(width, s * height)}) {
      const Point2d p_distorted = lens::ideal_from_px(lens, p);
      const Point2d ideal = lens::undistort(lens.model, p_distorted).value_or(p_distorted);
      result = result.cwiseMax(ideal.cwiseAbs());
    }
  }
  return result;
}

/// The field's energy over one component's controls.
Eigen::MatrixXd energy_of(const AxisIntegrals& x, const AxisIntegrals& y) {
  constexpr Eigen::Index kControls = SplineField::kNumControls;
  Eigen::MatrixXd energy = Eigen::MatrixXd::Zero(kControls, kControls);
  add_product(x.curvature, y.value, 1.0, energy);
  add_product(x.slope, y.slope, 2.0, energy);
  add_product(x.value, y.curvature, 1.0, energy);
  add_product(x.value, y.value, std::pow(kFadeLength, -4.0), energy);
  return energy;
}

/// Rows whose squares sum to a quadratic form.
Eigen::MatrixXd rows_of(const Eigen::MatrixXd& form) {
  return Eigen::LLT<Eigen::MatrixXd>(form).matrixU();
}

/// The corners, or where there are none places all over the plate, as ideal points; not more than
/// so many, spread over all.
std::vector<Point2d> ideal_places(const lens::Lens& lens, std::span<const Point2d> seen_px) {
  constexpr std::size_t kMost = 4000;
  const std::vector<Point2d> grid = plate_grid(lens.plate_size);
  if (seen_px.size() < grid.size()) seen_px = grid;
  const std::size_t step = 1 + seen_px.size() / kMost;
  std::vector<Point2d> result;
  for (std::size_t i = 0; i < seen_px.size(); i += step) {
    const auto ideal = lens::undistort(lens.model, lens::ideal_from_px(lens, seen_px[i]));
    if (ideal) result.push_back(*ideal);
  }
  return result;
}

/// What pinhole, pose and tangential terms can do about a lens at a point: a shift, a stretch along
/// each axis, a turn about each axis, p1 and p2.
constexpr Eigen::Index kNumExplained = 9;
std::optional<Eigen::Matrix<double, 2, kNumExplained>> explained_at(const lens::Model& model,
                                                                    const Point2d& p) {
  constexpr double kStep = 1e-6;
  Eigen::Matrix2d by_ideal;
  for (int axis = 0; axis < 2; ++axis) {
    const Point2d step = kStep * Point2d::Unit(axis);
    const auto after = lens::distort(model, p + step);
    const auto before = lens::distort(model, p - step);
    if (!after || !before) return std::nullopt;
    by_ideal.col(axis) = (*after - *before) / (2.0 * kStep);
  }
  const auto image = lens::distort(model, p);
  if (!image) return std::nullopt;
  const double x = p.x();
  const double y = p.y();
  Eigen::Matrix<double, 2, kNumExplained> result;
  result.leftCols<2>().setIdentity();
  result.middleCols<2>(2) = image->asDiagonal();
  Eigen::Matrix<double, 2, 3> turned;  // rays
  turned << -x * y, 1.0 + x * x, -y,   //
      -(1.0 + y * y), x * y, x;
  result.middleCols<3>(4) = by_ideal * turned;
  result.col(7) << 2.0 * x * y, x * x + 3.0 * y * y;
  result.col(8) << 3.0 * x * x + y * y, 2.0 * x * y;
  return result;
}

/// Rows that are 0 for fields without a share of what is explained otherwise: the means, over the
/// places, of the field's products with an orthonormal basis of that.
Eigen::MatrixXd explained_rows(const lens::Lens& lens,
                               const Point2d& half,
                               const std::vector<Point2d>& places) {
  constexpr Eigen::Index kControls = SplineField::kNumControls;
  const lens::CubicAxis axis_x(half.x(), SplineField::kColumns);
  const lens::CubicAxis axis_y(half.y(), SplineField::kRows);
  Eigen::MatrixXd explained(2 * static_cast<Eigen::Index>(places.size()), kNumExplained);
  Eigen::MatrixXd field = Eigen::MatrixXd::Zero(explained.rows(), 2 * kControls);
  Eigen::Index row = 0;
  for (const Point2d& p : places) {
    const auto here = explained_at(lens.model, p);
    const auto along_x = axis_x.at(p.x());
    const auto along_y = axis_y.at(p.y());
    if (!here || !along_x || !along_y) continue;
    explained.middleRows<2>(row) = *here;
    for (int b = 0; b < 4; ++b) {
      for (int a = 0; a < 4; ++a) {
        const int column = along_x->first + a;
        const int line = along_y->first + b;
        if (column < 0 || column >= SplineField::kColumns) continue;
        if (line < 0 || line >= SplineField::kRows) continue;
        const int control = line * SplineField::kColumns + column;
        const double weight = along_x->value[static_cast<std::size_t>(a)] *
                              along_y->value[static_cast<std::size_t>(b)];
        field(row, control) = weight;
        field(row + 1, kControls + control) = weight;
      }
    }
    row += 2;
  }
  if (row < kNumExplained) return Eigen::MatrixXd::Zero(kNumExplained, 2 * kControls);
  const Eigen::MatrixXd basis = OrthogonalFactor(explained.topRows(row)).basis();
  return basis.transpose() * field.topRows(row) / std::sqrt(0.5 * static_cast<double>(row));
}

/// Rows on the controls of T: fourth differences, in lengths on the plane at distance 1 where each
/// acts; T(0), which moves nothing; and each control by itself, at next to nothing, for a lens
/// without a rectangle, where none does anything.
Eigen::MatrixXd round_rows(const Point2d& half, double round_px) {
  constexpr Eigen::Index kRound = SplineField::kNumRound;
  constexpr Eigen::Index kDifferences = kRound - 4;
  constexpr double kNextToNothing = 1e-4;
  Eigen::MatrixXd rows = Eigen::MatrixXd::Zero(kDifferences + 1 + kRound, kRound);
  const double cell = half.squaredNorm() / (kRound - 3);
  for (Eigen::Index m = 0; m < kDifferences; ++m) {
    const double radius = std::sqrt(static_cast<double>(m + 1) * cell);
    rows.block<1, 5>(m, m) << 1.0, -4.0, 6.0, -4.0, 1.0;
    rows.row(m) *= round_px * radius;
  }
  rows.block<1, 3>(kDifferences, 0) << 1.0, 4.0, 1.0;
  rows.row(kDifferences) *= kHeldPx * half.norm() / 6.0;
  rows.bottomRows<kRound>().diagonal().setConstant(kNextToNothing * half.norm());
  return rows;
}

}  // namespace

CoefficientPrior spline_prior(const lens::Lens& base,
                              const Stiffness& stiffness,
                              std::span<const Point2d> seen_px) {
  constexpr Eigen::Index kControls = SplineField::kNumControls;
  constexpr Eigen::Index kRound = SplineField::kNumRound;
  const Point2d half = half_sizes(base);
  const double focal_px = 0.5 * base.focal_px.sum();

  CoefficientPrior prior;
  prior.at = Eigen::VectorXd::Zero(SplineField::kNumParameters);
  const std::span<const double> known = lens::parameters(base.model);
  if (known.size() == SplineField::kNumParameters) {
    prior.at = Eigen::Map<const Eigen::VectorXd>(known.data(), prior.at.size());
  } else {
    prior.at.head<SplineField::kNumBase>() =
        Eigen::Map<const Eigen::VectorXd>(known.data(), SplineField::kNumBase);
    prior.at(SplineField::kHalfWidth) = half.x();
    prior.at(SplineField::kHalfHeight) = half.y();
    make_round(prior.at.data());
  }

  // Lengths in half heights.
  const double half_x = half.x() / half.y();
  const Eigen::MatrixXd energy =
      energy_of(integrals_of(nodes_of(half_x, SplineField::kColumns), SplineField::kColumns),
                integrals_of(nodes_of(1.0, SplineField::kRows), SplineField::kRows));
  const Eigen::MatrixXd bending = focal_px * stiffness.field_px * rows_of(energy);
  const Eigen::MatrixXd explained =
      kHeldPx * focal_px * explained_rows(base, half, ideal_places(base, seen_px));
  const Eigen::MatrixXd round = focal_px * round_rows(half, stiffness.round_px);

  constexpr Eigen::Index kNumHeld = 5;  // k1, k2, k3, two half sizes
  prior.rows = Eigen::MatrixXd::Zero(2 * kControls + kNumExplained + round.rows() + kNumHeld,
                                     SplineField::kNumParameters);
  static_assert(SplineField::kFirstY == SplineField::kFirstX + kControls);
  prior.rows.block<kControls, kControls>(0, SplineField::kFirstX) = bending;
  prior.rows.block<kControls, kControls>(kControls, SplineField::kFirstY) = bending;
  prior.rows.block<kNumExplained, 2 * kControls>(2 * kControls, SplineField::kFirstX) = explained;
  auto rest = prior.rows.bottomRows(round.rows() + kNumHeld);
  rest.block(0, SplineField::kFirstRound, round.rows(), kRound) = round;
  // Without a rectangle the base is all there is.
  const bool has_field = prior.at(SplineField::kHalfWidth) > 0.0;
  for (Eigen::Index i = 0; has_field && i < 3; ++i) {
    rest(round.rows() + i, i) =
        kHeldPx * focal_px * std::pow(half.norm(), 2.0 * static_cast<double>(i) + 3.0);
  }
  rest(round.rows() + 3, SplineField::kHalfWidth) = kHeldHalfSize / half.x();
  rest(round.rows() + 4, SplineField::kHalfHeight) = kHeldHalfSize / half.y();
  return prior;
}

}  // namespace trueplate::fit::detail
