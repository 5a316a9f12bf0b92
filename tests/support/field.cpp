#include "tests/support/field.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "calib/base/decompositions.h"

namespace trueplate::tests {

FieldError field_error(const lens::Lens& found, const lens::Lens& truth) {
  constexpr int kSteps = 64;
  std::vector<Point2d> a;
  std::vector<Point2d> b;
  for (int j = 0; j <= kSteps; ++j) {
    for (int i = 0; i <= kSteps; ++i) {
      const Point2d p(static_cast<double>(i) * truth.plate_size.width / kSteps,
                      static_cast<double>(j) * truth.plate_size.height / kSteps);
      const auto p_found = lens::undistort_px(found, p);
      const auto p_truth = lens::undistort_px(truth, p);
      if (p_found.has_value() != p_truth.has_value()) {
        return {std::numeric_limits<double>::infinity(), std::numeric_limits<double>::infinity()};
      }
      if (!p_found) continue;
      a.push_back(*p_found);
      b.push_back(*p_truth);
    }
  }
  const auto n = static_cast<Eigen::Index>(a.size());
  Eigen::MatrixXd residual(n, 2);
  for (int axis = 0; axis < 2; ++axis) {
    Eigen::MatrixXd design(n, 2);
    Eigen::VectorXd wanted(n);
    for (Eigen::Index k = 0; k < n; ++k) {
      design(k, 0) = a[static_cast<std::size_t>(k)][axis];
      design(k, 1) = 1.0;
      wanted[k] = b[static_cast<std::size_t>(k)][axis];
    }
    const Eigen::VectorXd best = least_squares(design, wanted);
    residual.col(axis) = design * best - wanted;
  }
  const Eigen::VectorXd squared = residual.rowwise().squaredNorm();
  return {std::sqrt(squared.mean()), std::sqrt(squared.maxCoeff())};
}

}  // namespace trueplate::tests
