#include "calib/fit/detail/map_uncertainty.h"

#include <Eigen/Dense>
#include <array>
#include <cassert>
#include <cmath>
#include <vector>

#include "calib/base/quadrature.h"

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

std::vector<PlateNode> plate_nodes(ImageSize plate) {
  const Point2d size(plate.width, plate.height);
  std::vector<PlateNode> nodes;
  const std::vector<QuadratureNode> along = gauss_legendre();
  for (const QuadratureNode& y : along) {
    for (const QuadratureNode& x : along) {
      const Point2d place = 0.5 * (Point2d(x.place, y.place) + Point2d::Ones());
      nodes.push_back({place.cwiseProduct(size), x.share * y.share});
    }
  }
  return nodes;
}

std::optional<MapResponse::Raw> MapResponse::raw(const Point2d& p_plate_px) const {
  const std::optional<Eigen::Vector3d> ray =
      lens::undistort_to_ray(lens_.model, lens::ideal_from_px(lens_, p_plate_px));
  if (!ray) return std::nullopt;
  // The ray as a corner in camera axes, seen from where it is.
  const ViewPoints corner{.chart_mm = {ray->x(), ray->y(), ray->z()},
                          .plate_px = {p_plate_px.x(), p_plate_px.y()},
                          .root_weight = {1.0},
                          .site = {}};
  Eigen::VectorXd intrinsics(num_intrinsics());
  const auto coefficients = lens::parameters(lens_.model);
  intrinsics << lens_.focal_px, lens_.principal_point_px,
      Eigen::Map<const Eigen::VectorXd>(coefficients.data(),
                                        static_cast<Eigen::Index>(coefficients.size()));
  const std::array<double, kNumPose> step{};
  Point2d residual;
  Eigen::Matrix<double, 2, Eigen::Dynamic, Eigen::RowMajor> by_intrinsics(2, num_intrinsics());
  Eigen::Matrix<double, 2, kNumPose, Eigen::RowMajor> by_pose;
  if (!kernel_.evaluate(corner,
                        intrinsics.data(),
                        Pose{},
                        step.data(),
                        0.0,
                        residual.data(),
                        by_intrinsics.data(),
                        by_pose.data())) {
    return std::nullopt;
  }
  Raw result;
  // A turn of the camera; and a common change of the focal lengths of the straightened picture,
  // which moves the ray (x, y, z) along (x, y, 0).
  // Then, for a projective change, those of the two axes against each other, a shear and shifts.
  const Eigen::Matrix2d by_move = by_pose.middleCols<2>(3);
  const double x = ray->x();
  const double y = ray->y();
  Eigen::Matrix<double, 2, 8> motions;
  motions << by_pose.leftCols<3>(), by_move * ray->head<2>(), by_move * Point2d(x, -y),
      by_move * Point2d(y, x), by_move * ray->z();
  result.by_absorbed = motions.leftCols(num_absorbed_);
  if (!field_) {
    result.by_unknowns = by_intrinsics;
    return result;
  }
  result.by_unknowns.resize(2, num_intrinsics() + field_->num_coefficients());
  result.by_unknowns << by_intrinsics, by_intrinsics * misfit_->give_way;
  for (const PlateField::Tap& tap : field_->at(p_plate_px)) {
    result.by_unknowns.col(num_intrinsics() + tap.coefficient) += tap.px;
  }
  return result;
}

MapResponse::MapResponse(const lens::Lens& lens, Absorbed absorbed, const MapMisfit* misfit)
    : lens_(lens), kernel_(kernel_of(lens)), misfit_(misfit) {
  if (misfit != nullptr && misfit->present()) {
    field_.emplace(lens, misfit->cells);
  }
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
    case Absorbed::kProjective:
      num_absorbed_ = 8;
      break;
  }
  const Eigen::Index num_unknowns = num_intrinsics() + (field_ ? field_->num_coefficients() : 0);
  absorption_ = Eigen::MatrixXd::Zero(num_absorbed_, num_unknowns);
  if (num_absorbed_ == 0) return;
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(num_absorbed_, num_absorbed_);
  Eigen::MatrixXd right = absorption_;
  for (const PlateNode& node : plate_nodes(lens.plate_size)) {
    const std::optional<Raw> here = raw(node.p_plate_px);
    if (!here) continue;
    normal += node.share * here->by_absorbed.transpose() * here->by_absorbed;
    right += node.share * here->by_absorbed.transpose() * here->by_unknowns;
  }
  absorption_ = normal.completeOrthogonalDecomposition().solve(right);
}

std::optional<Eigen::Matrix2Xd> MapResponse::at(const Point2d& p_plate_px) const {
  const std::optional<Raw> here = raw(p_plate_px);
  if (!here) return std::nullopt;
  return here->by_unknowns - here->by_absorbed * absorption_;
}

namespace {

/// Expected products of the map's errors at a place.
Eigen::Matrix2d moment_at(const MapResponse& response,
                          const Eigen::Matrix2Xd& by_unknowns,
                          const Eigen::MatrixXd& covariance,
                          const MapMisfit* misfit) {
  const Eigen::Index n = response.num_intrinsics();
  const auto by_intrinsics = by_unknowns.leftCols(n);
  Eigen::Matrix2d moment = by_intrinsics * covariance * by_intrinsics.transpose();
  if (misfit != nullptr && misfit->present()) {
    const auto by_field = by_unknowns.rightCols(by_unknowns.cols() - n);
    moment += by_field * misfit->moment_px2 * by_field.transpose();
  }
  return moment;
}

}  // namespace

MapSigma map_sigma(const lens::Lens& lens,
                   const Eigen::MatrixXd& covariance,
                   Absorbed absorbed,
                   const MapMisfit* misfit) {
  const MapResponse response(lens, absorbed, misfit);
  MapSigma result;
  double sum = 0.0;
  for (const PlateNode& node : plate_nodes(lens.plate_size)) {
    const std::optional<Eigen::Matrix2Xd> j = response.at(node.p_plate_px);
    if (!j) continue;
    sum += node.share * moment_at(response, *j, covariance, misfit).trace();
    result.share += node.share;
  }
  if (result.share > 0.0) result.rms_px = std::sqrt(std::max(0.0, sum / result.share));
  bool whole = true;
  for (const Point2d& p : plate_grid(lens.plate_size)) {
    const std::optional<Eigen::Matrix2Xd> j = response.at(p);
    whole = whole && j;
    if (!j) continue;
    const Eigen::Matrix2d here = moment_at(response, *j, covariance, misfit);
    const double sigma = std::sqrt(std::max(0.0, larger_eigenvalue(here)));
    if (sigma > result.max_px) {
      result.max_px = sigma;
      result.worst_plate_px = p;
    }
  }
  // The sum of all shares is 1 but for rounding, and corners may be dark beside the last node.
  constexpr double kDarkCorner = 0.999;
  result.share = whole ? 1.0 : std::min(result.share, kDarkCorner);
  return result;
}

MapSigma map_sigma(const LensFit& fit) {
  return map_sigma(
      fit.lens, fit.covariance, Absorbed::kRotationAndFocal, fit.misfit ? &*fit.misfit : nullptr);
}

void state_map_sigma(LensFit& fit) {
  const MapSigma map = map_sigma(fit);
  fit.map_sigma_rms_px = map.rms_px;
  fit.map_sigma_max_px = map.max_px;
  fit.map_sigma_share = map.share;
  if (!fit.misfit || !fit.misfit->present()) return;
  const MapSigma alone =
      map_sigma(fit.lens,
                Eigen::MatrixXd::Zero(fit.covariance.rows(), fit.covariance.cols()),
                Absorbed::kRotationAndFocal,
                &*fit.misfit);
  fit.misfit->rms_px = alone.rms_px;
  fit.misfit->max_px = alone.max_px;
  fit.misfit->worst_plate_px = alone.worst_plate_px;
}

}  // namespace detail

std::optional<double> map_sigma_px(const LensFit& fit,
                                   const Point2d& p_plate_px,
                                   Absorbed absorbed) {
  const MapMisfit* misfit = fit.misfit ? &*fit.misfit : nullptr;
  const detail::MapResponse response(fit.lens, absorbed, misfit);
  const std::optional<Eigen::Matrix2Xd> j = response.at(p_plate_px);
  if (!j) return std::nullopt;
  const Eigen::Matrix2d moment = detail::moment_at(response, *j, fit.covariance, misfit);
  return std::sqrt(std::max(0.0, detail::larger_eigenvalue(moment)));
}

}  // namespace trueplate::fit
