#include "calib/zoom/detail/plate_field.h"

#include <Eigen/QR>
#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>

#include "calib/base/decompositions.h"

namespace trueplate::zoom::detail {
namespace {

using Eigen::Index;

constexpr int kColumns = 21;
constexpr int kRows = 15;

/// Pinhole numbers behind the displacements.
enum Pinhole : Index { kLogFocalX, kLogFocalY, kPrincipalX, kPrincipalY, kPupil };

double pinhole(const Eigen::VectorXd& numbers, Pinhole which) {
  return numbers[numbers.size() - 5 + which];
}

bool sees(const std::vector<lens::Lens>& lenses, const Point2d& p_plate_px) {
  return std::all_of(lenses.begin(), lenses.end(), [&](const lens::Lens& lens) {
    return lens::undistort_px(lens, p_plate_px).has_value();
  });
}

}  // namespace

PlateField::PlateField(const std::vector<lens::Lens>& lenses) {
  assert(!lenses.empty());
  const ImageSize size = lenses.front().plate_size;
  std::vector<Point2d> nodes;
  for (int row = 0; row < kRows; ++row) {
    for (int column = 0; column < kColumns; ++column) {
      const Point2d node(static_cast<double>(size.width) * column / (kColumns - 1),
                         static_cast<double>(size.height) * row / (kRows - 1));
      if (sees(lenses, node)) nodes.push_back(node);
    }
  }
  nodes_px_.resize(2, static_cast<Index>(nodes.size()));
  for (std::size_t i = 0; i < nodes.size(); ++i) nodes_px_.col(static_cast<Index>(i)) = nodes[i];
}

Eigen::VectorXd PlateField::numbers_of(const lens::Lens& lens,
                                       std::optional<double> entrance_pupil_mm) const {
  Eigen::VectorXd numbers(dimension());
  for (Index i = 0; i < num_nodes(); ++i) {
    const Point2d node = nodes_px_.col(i);
    const std::optional<Point2d> straight = lens::undistort_px(lens, node);
    assert(straight);
    const Point2d shift = straight.value_or(node) - node;
    numbers[i] = shift.x();
    numbers[num_nodes() + i] = shift.y();
  }
  numbers.tail<5>() << std::log(lens.focal_px.x()), std::log(lens.focal_px.y()),
      lens.principal_point_px.x(), lens.principal_point_px.y(),
      entrance_pupil_mm.value_or(std::numeric_limits<double>::quiet_NaN());
  return numbers;
}

Point2d PlateField::focal_px(const Eigen::VectorXd& numbers) const {
  return {std::exp(pinhole(numbers, kLogFocalX)), std::exp(pinhole(numbers, kLogFocalY))};
}

Point2d PlateField::principal_point_px(const Eigen::VectorXd& numbers) const {
  return {pinhole(numbers, kPrincipalX), pinhole(numbers, kPrincipalY)};
}

std::optional<double> PlateField::entrance_pupil_mm(const Eigen::VectorXd& numbers) const {
  const double offset = pinhole(numbers, kPupil);
  return std::isfinite(offset) ? std::optional(offset) : std::nullopt;
}

Eigen::Matrix2Xd PlateField::straight_px(const Eigen::VectorXd& numbers) const {
  Eigen::Matrix2Xd straight = nodes_px_;
  straight.row(0) += numbers.head(num_nodes()).transpose();
  straight.row(1) += numbers.segment(num_nodes(), num_nodes()).transpose();
  return straight;
}

Eigen::Matrix2Xd PlateField::ideal(const Eigen::VectorXd& numbers) const {
  const Eigen::Matrix2Xd straight = straight_px(numbers);
  return (straight.colwise() - principal_point_px(numbers)).array().colwise() /
         focal_px(numbers).array();
}

FieldDifference larger(const FieldDifference& a, const FieldDifference& b) {
  return {std::max(a.rms_px, b.rms_px),
          std::max(a.max_px, b.max_px),
          std::max(a.focal_share, b.focal_share)};
}

FieldDifference root_sum(const FieldDifference& a, const FieldDifference& b) {
  return {std::hypot(a.rms_px, b.rms_px),
          std::hypot(a.max_px, b.max_px),
          std::hypot(a.focal_share, b.focal_share)};
}

FieldDifference difference_of(const PlateField& field,
                              const Eigen::VectorXd& a,
                              const Eigen::VectorXd& b) {
  const Eigen::Matrix2Xd rays = field.ideal(b);
  const Eigen::Matrix2Xd apart = field.ideal(a) - rays;
  // Columns: rotation about x, y and the axis, change of focal length. All in pixels of the
  // straight picture, whose scale is that of the plate but for the distortion itself.
  const Eigen::Array2d focal = field.focal_px(b).array();
  const Index count = field.num_nodes();
  Eigen::MatrixX4d absorbed(2 * count, 4);
  Eigen::VectorXd left(2 * count);
  for (Index i = 0; i < count; ++i) {
    const double x = rays(0, i);
    const double y = rays(1, i);
    absorbed.row(2 * i) << focal[0] * x * y, focal[0] * (1.0 + x * x), focal[0] * y, focal[0] * x;
    absorbed.row(2 * i + 1) << focal[1] * (1.0 + y * y), focal[1] * x * y, -focal[1] * x,
        focal[1] * y;
    left.segment<2>(2 * i) = apart.col(i).array() * focal;
  }
  FieldDifference result;
  result.focal_share = std::abs(pinhole(a, kLogFocalX) - pinhole(b, kLogFocalX));
  if (count < 3) return result;
  left -= absorbed * least_squares(absorbed, left);
  const Eigen::VectorXd squares = left.reshaped(2, count).colwise().squaredNorm();
  result.rms_px = std::sqrt(squares.mean());
  result.max_px = std::sqrt(squares.maxCoeff());
  return result;
}

}  // namespace trueplate::zoom::detail
