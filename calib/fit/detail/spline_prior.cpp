#include "calib/fit/detail/spline_prior.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <vector>

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
  Eigen::VectorXd mean;       // of B_i, over the axis' length
  Eigen::VectorXd stretch;    // of B_i t / half, over the axis' length
};

/// A point of an axis with its weight in an integral over the whole of it.
struct Node {
  double t;
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
      if (taps) nodes.push_back({t, 0.5 * axis.cell() * kWeights[g], *taps});
    }
  }
  return nodes;
}

AxisIntegrals integrals_of(const std::vector<Node>& nodes, double half, int num_splines) {
  AxisIntegrals result;
  result.value = Eigen::MatrixXd::Zero(num_splines, num_splines);
  result.slope = result.value;
  result.curvature = result.value;
  result.mean = Eigen::VectorXd::Zero(num_splines);
  result.stretch = result.mean;
  for (const Node& node : nodes) {
    const int first = node.taps.first;
    const auto value = Eigen::Map<const Eigen::Vector4d>(node.taps.value.data());
    const auto slope = Eigen::Map<const Eigen::Vector4d>(node.taps.slope.data());
    const auto curvature = Eigen::Map<const Eigen::Vector4d>(node.taps.curvature.data());
    result.value.block<4, 4>(first, first) += node.weight * value * value.transpose();
    result.slope.block<4, 4>(first, first) += node.weight * slope * slope.transpose();
    result.curvature.block<4, 4>(first, first) += node.weight * curvature * curvature.transpose();
    result.mean.segment<4>(first) += node.weight / (2.0 * half) * value;
    result.stretch.segment<4>(first) += node.weight / (2.0 * half) * (node.t / half) * value;
  }
  return result;
}

/// The function's values over the controls' grid, from those along its axes.
Eigen::VectorXd product(const Eigen::VectorXd& along_x, const Eigen::VectorXd& along_y) {
  Eigen::VectorXd result(along_x.size() * along_y.size());
  for (Eigen::Index j = 0; j < along_y.size(); ++j) {
    result.segment(j * along_x.size(), along_x.size()) = along_y(j) * along_x;
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

/// Controls (x, then y) of the fields p cos(m pi r / R) for m = 0 .. kNumRadial - 1, R the corner's
/// distance, scaled to length 1 at the corner: the least-squares fit of the splines to them.
Eigen::MatrixXd radial_fields(const std::vector<Node>& along_x,
                              const std::vector<Node>& along_y,
                              double reach,
                              const Eigen::MatrixXd& products) {
  constexpr Eigen::Index kControls = SplineField::kNumControls;
  Eigen::MatrixXd right = Eigen::MatrixXd::Zero(kControls, 2 * kNumRadial);
  for (const Node& v : along_y) {
    for (const Node& u : along_x) {
      const Point2d p(u.t / reach, v.t / reach);
      Eigen::Matrix<double, 1, 2 * kNumRadial> fields;
      for (int m = 0; m < kNumRadial; ++m) {
        fields.segment<2>(2 * m) = std::cos(m * EIGEN_PI * p.norm()) * p.transpose();
      }
      for (int b = 0; b < 4; ++b) {
        for (int a = 0; a < 4; ++a) {
          const auto i = static_cast<std::size_t>(a);
          const auto j = static_cast<std::size_t>(b);
          right.row((v.taps.first + b) * SplineField::kColumns + u.taps.first + a) +=
              u.weight * v.weight * u.taps.value[i] * v.taps.value[j] * fields;
        }
      }
    }
  }
  const Eigen::MatrixXd controls = Eigen::LLT<Eigen::MatrixXd>(products).solve(right);
  Eigen::MatrixXd result(2 * kControls, kNumRadial);
  for (int m = 0; m < kNumRadial; ++m) {
    result.col(m) << controls.col(2 * m), controls.col(2 * m + 1);
  }
  return result;
}

/// Rows whose squares sum to the cost of a field in pixels: its energy times stiffness^2, but what
/// is radial comes at next to nothing. As covariances: that of the energy plus that of the radial
/// fields.
Eigen::MatrixXd field_rows(const Eigen::MatrixXd& energy,
                           const Eigen::MatrixXd& radial,
                           double stiffness_px) {
  const Eigen::Index n = energy.rows();
  Eigen::MatrixXd covariance = radial * radial.transpose() / (kRadialPx * kRadialPx);
  const Eigen::MatrixXd of_energy =
      Eigen::LLT<Eigen::MatrixXd>(energy).solve(Eigen::MatrixXd::Identity(n, n)) /
      (stiffness_px * stiffness_px);
  covariance.topLeftCorner(n, n) += of_energy;
  covariance.bottomRightCorner(n, n) += of_energy;
  // With covariance = L L^T the cost is |L^-1 c|^2.
  return Eigen::LLT<Eigen::MatrixXd>(covariance)
      .matrixL()
      .solve(Eigen::MatrixXd::Identity(2 * n, 2 * n));
}

}  // namespace

CoefficientPrior spline_prior(const lens::Lens& base, double stiffness_px) {
  constexpr Eigen::Index kControls = SplineField::kNumControls;
  const Point2d half = half_sizes(base);
  const double focal_px = 0.5 * base.focal_px.sum();

  // Lengths in half heights.
  const double half_x = half.x() / half.y();
  const std::vector<Node> along_x = nodes_of(half_x, SplineField::kColumns);
  const std::vector<Node> along_y = nodes_of(1.0, SplineField::kRows);
  const AxisIntegrals x = integrals_of(along_x, half_x, SplineField::kColumns);
  const AxisIntegrals y = integrals_of(along_y, 1.0, SplineField::kRows);
  Eigen::MatrixXd products = Eigen::MatrixXd::Zero(kControls, kControls);
  add_product(x.value, y.value, 1.0, products);
  const Eigen::MatrixXd radial = radial_fields(along_x, along_y, half.norm() / half.y(), products);

  constexpr Eigen::Index kNumHeld = 10;  // five of the field, two half sizes, three of the base
  CoefficientPrior prior;
  prior.at = Eigen::VectorXd::Zero(SplineField::kNumParameters);
  const std::span<const double> known = lens::parameters(base.model);
  for (std::size_t i = 0; i < std::min<std::size_t>(known.size(), SplineField::kNumBase); ++i) {
    prior.at(static_cast<Eigen::Index>(i)) = known[i];
  }
  prior.at(SplineField::kHalfWidth) = half.x();
  prior.at(SplineField::kHalfHeight) = half.y();

  prior.rows = Eigen::MatrixXd::Zero(2 * kControls + kNumHeld, SplineField::kNumParameters);
  static_assert(SplineField::kFirstY == SplineField::kFirstX + kControls);
  prior.rows.block(0, SplineField::kFirstX, 2 * kControls, 2 * kControls) =
      focal_px * field_rows(energy_of(x, y), radial, stiffness_px);

  auto held = prior.rows.bottomRows<kNumHeld>();
  const double weight = kHeldPx * focal_px;
  held.row(0).segment<kControls>(SplineField::kFirstX) = weight * product(x.mean, y.mean);
  held.row(1).segment<kControls>(SplineField::kFirstY) = weight * product(x.mean, y.mean);
  held.row(2).segment<kControls>(SplineField::kFirstX) = weight * product(x.stretch, y.mean);
  held.row(3).segment<kControls>(SplineField::kFirstY) = weight * product(x.mean, y.stretch);
  // D = (-y, x) turns.
  held.row(4).segment<kControls>(SplineField::kFirstX) = -weight * product(x.mean, y.stretch);
  held.row(4).segment<kControls>(SplineField::kFirstY) =
      weight * half_x * product(x.stretch, y.mean);
  held(5, SplineField::kHalfWidth) = kHeldHalfSize / half.x();
  held(6, SplineField::kHalfHeight) = kHeldHalfSize / half.y();
  // k1, k2, k3 stay about where they are, so that base and radial fields do not grow against each
  // other.
  for (int i = 0; i < 3; ++i) {
    held(7 + i, i) = kRadialPx * focal_px * std::pow(half.norm(), 2 * i + 3);
  }
  return prior;
}

}  // namespace trueplate::fit::detail
