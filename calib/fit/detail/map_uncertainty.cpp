#include "calib/fit/detail/map_uncertainty.h"

#include <Eigen/Dense>
#include <cassert>
#include <cmath>
#include <vector>

namespace trueplate::fit {
namespace detail {
namespace {

// Nodes of the grid, corners and edges of the plate included.
constexpr int kColumns = 17;
constexpr int kRows = 11;

/// Larger eigenvalue of a symmetric 2 x 2 matrix.
double larger_eigenvalue(const Eigen::Matrix2d& m) {
  const double mean = 0.5 * (m(0, 0) + m(1, 1));
  return mean + std::hypot(0.5 * (m(0, 0) - m(1, 1)), m(0, 1));
}

const ModelKernel& kernel_of(const lens::Lens& lens) {
  const ModelKernel* kernel = find_kernel(lens::model_name(lens.model));
  assert(kernel != nullptr);
  return *kernel;
}

}  // namespace

std::vector<Point2d> plate_grid(ImageSize plate) {
  std::vector<Point2d> grid;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i) {
      grid.emplace_back(static_cast<double>(plate.width) * i / (kColumns - 1),
                        static_cast<double>(plate.height) * j / (kRows - 1));
    }
  }
  return grid;
}

std::optional<MapResponse::Raw> MapResponse::raw(const Point2d& p_plate_px) const {
  const std::optional<Point2d> ideal =
      lens::undistort(lens_.model, lens::ideal_from_px(lens_, p_plate_px));
  if (!ideal) return std::nullopt;
  const Eigen::Index num_coefficients = kernel_.num_intrinsics() - kNumPinhole;
  Point2d distorted;
  Eigen::Matrix<double, 2, 2, Eigen::RowMajor> by_ideal;
  Eigen::Matrix<double, 2, Eigen::Dynamic, Eigen::RowMajor> by_coefficients(2, num_coefficients);
  kernel_.distort(ideal->data(),
                  lens::parameters(lens_.model).data(),
                  distorted.data(),
                  by_ideal.data(),
                  by_coefficients.data());
  const auto focal = lens_.focal_px.asDiagonal();
  Raw result;
  result.by_intrinsics = Eigen::Matrix2Xd::Zero(2, kernel_.num_intrinsics());
  result.by_intrinsics(0, 0) = distorted.x();
  result.by_intrinsics(1, 1) = distorted.y();
  result.by_intrinsics(0, 2) = 1.0;
  result.by_intrinsics(1, 3) = 1.0;
  result.by_intrinsics.rightCols(num_coefficients) = focal * by_coefficients;

  // Motion of the ray (x, y, 1): turning it by w gives w x (x, y, 1), seen on the plane z = 1;
  // a common change of the focal lengths of the straightened picture moves it along itself.
  const double x = ideal->x();
  const double y = ideal->y();
  Eigen::Matrix<double, 2, 4> ray;
  ray << -x * y, 1.0 + x * x, -y, x,  //
      -(1.0 + y * y), x * y, x, y;
  result.by_absorbed = focal * by_ideal * ray.leftCols(num_absorbed_);
  return result;
}

MapResponse::MapResponse(const lens::Lens& lens, Absorbed absorbed)
    : lens_(lens), kernel_(kernel_of(lens)) {
  switch (absorbed) {
    case Absorbed::kNothing:
      num_absorbed_ = 0;
      break;
    case Absorbed::kRotation:
      num_absorbed_ = 3;
      break;
    case Absorbed::kRotationAndFocal:
      num_absorbed_ = 4;
      break;
  }
  absorption_ = Eigen::MatrixXd::Zero(num_absorbed_, kernel_.num_intrinsics());
  if (num_absorbed_ == 0) return;
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(num_absorbed_, num_absorbed_);
  Eigen::MatrixXd right = absorption_;
  for (const Point2d& p : plate_grid(lens.plate_size)) {
    const std::optional<Raw> here = raw(p);
    if (!here) continue;
    normal += here->by_absorbed.transpose() * here->by_absorbed;
    right += here->by_absorbed.transpose() * here->by_intrinsics;
  }
  absorption_ = normal.completeOrthogonalDecomposition().solve(right);
}

std::optional<Eigen::Matrix2Xd> MapResponse::at(const Point2d& p_plate_px) const {
  const std::optional<Raw> here = raw(p_plate_px);
  if (!here) return std::nullopt;
  return here->by_intrinsics - here->by_absorbed * absorption_;
}

MapSigma map_sigma(const lens::Lens& lens, const Eigen::MatrixXd& covariance, Absorbed absorbed) {
  const MapResponse response(lens, absorbed);
  MapSigma result;
  double sum = 0.0;
  int count = 0;
  for (const Point2d& p : plate_grid(lens.plate_size)) {
    const std::optional<Eigen::Matrix2Xd> j = response.at(p);
    if (!j) continue;
    const Eigen::Matrix2d here = *j * covariance * j->transpose();
    sum += here.trace();
    ++count;
    const double sigma = std::sqrt(std::max(0.0, larger_eigenvalue(here)));
    if (sigma > result.max_px) {
      result.max_px = sigma;
      result.worst_plate_px = p;
    }
  }
  if (count > 0) result.rms_px = std::sqrt(std::max(0.0, sum / count));
  return result;
}

}  // namespace detail

std::optional<double> map_sigma_px(const LensFit& fit,
                                   const Point2d& p_plate_px,
                                   Absorbed absorbed) {
  const detail::MapResponse response(fit.lens, absorbed);
  const std::optional<Eigen::Matrix2Xd> j = response.at(p_plate_px);
  if (!j) return std::nullopt;
  const Eigen::Matrix2d covariance = *j * fit.covariance * j->transpose();
  return std::sqrt(std::max(0.0, detail::larger_eigenvalue(covariance)));
}

}  // namespace trueplate::fit
