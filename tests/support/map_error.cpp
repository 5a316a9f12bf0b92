#include "tests/support/map_error.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/base/decompositions.h"

namespace trueplate::tests {
namespace {

/// Where the true lens images a straight point, by differences of its inverse: no derivative of the
/// library, and none of the lens's domain beyond the plate.
Eigen::Matrix2d plate_by_straight(const lens::Lens& truth, const Point2d& p_plate_px) {
  const Point2d size(truth.plate_size.width, truth.plate_size.height);
  constexpr double kStepPx = 0.05;
  Eigen::Matrix2d straight_by_plate = Eigen::Matrix2d::Identity();
  for (int axis = 0; axis < 2; ++axis) {
    Point2d low = p_plate_px;
    Point2d high = p_plate_px;
    low[axis] = std::max(0.0, low[axis] - kStepPx);
    high[axis] = std::min(size[axis], high[axis] + kStepPx);
    const auto behind = lens::undistort_px(truth, low);
    const auto ahead = lens::undistort_px(truth, high);
    if (behind && ahead) {
      straight_by_plate.col(axis) = (*ahead - *behind) / (high[axis] - low[axis]);
    }
  }
  return straight_by_plate.inverse();
}

}  // namespace

MapError map_error(const lens::Lens& found, const lens::Lens& truth) {
  constexpr int kSteps = 40;
  constexpr double kInfinity = std::numeric_limits<double>::infinity();
  std::vector<Eigen::Matrix<double, 2, 4>> moves;
  std::vector<Point2d> wanted;
  for (int j = 0; j <= kSteps; ++j) {
    for (int i = 0; i <= kSteps; ++i) {
      const Point2d p(static_cast<double>(i) * truth.plate_size.width / kSteps,
                      static_cast<double>(j) * truth.plate_size.height / kSteps);
      const auto by_found = lens::undistort_px(found, p);
      const auto by_truth = lens::undistort_px(truth, p);
      if (by_found.has_value() != by_truth.has_value()) return {kInfinity, kInfinity};
      if (!by_found) continue;
      const Eigen::Matrix2d bending = plate_by_straight(truth, p);
      Eigen::Matrix<double, 2, 4> by_scale_and_shift;
      by_scale_and_shift << by_found->x(), 1.0, 0.0, 0.0, 0.0, 0.0, by_found->y(), 1.0;
      moves.emplace_back(bending * by_scale_and_shift);
      wanted.emplace_back(bending * *by_truth);
    }
  }
  const auto n = static_cast<Eigen::Index>(moves.size());
  Eigen::MatrixXd design(2 * n, 4);
  Eigen::VectorXd right(2 * n);
  for (Eigen::Index k = 0; k < n; ++k) {
    design.middleRows<2>(2 * k) = moves[static_cast<std::size_t>(k)];
    right.segment<2>(2 * k) = wanted[static_cast<std::size_t>(k)];
  }
  const Eigen::VectorXd left = design * least_squares(design, right) - right;
  MapError error;
  for (Eigen::Index k = 0; k < n; ++k) {
    error.max_px = std::max(error.max_px, left.segment<2>(2 * k).norm());
  }
  error.rms_px = std::sqrt(left.squaredNorm() / static_cast<double>(n));
  return error;
}

}  // namespace trueplate::tests
