#pragma once

#include <Eigen/Dense>
#include <cmath>
#include <optional>
#include <vector>

#include "calib/lens/lens.h"

namespace trueplate::tests {

/// How far the fitted lens puts rays from where the true lens has them, x and y in turn; after the
/// camera rotation and the common change of focal length that fit best, which a camera solve finds
/// by itself. Gauss-Newton with differences; shares nothing with the library's forecast of it but
/// the definition (Hagemann, Knorr, Janssen and Stiller, GCPR 2020: mapping error). nullopt where
/// the fitted lens has no value.
///
/// places   where the true lens has the rays, plate pixels
/// rays     in camera axes, one for each place
inline std::optional<Eigen::VectorXd> field_errors_px(const std::vector<Point2d>& places,
                                                      const std::vector<Eigen::Vector3d>& rays,
                                                      const lens::Lens& fitted) {
  const auto errors = [&](const Eigen::Vector4d& motion) -> std::optional<Eigen::VectorXd> {
    const Eigen::Vector3d turn = motion.head<3>();
    const double angle = turn.norm();
    const Eigen::Matrix3d rotation = angle > 0.0
                                         ? Eigen::AngleAxisd(angle, turn / angle).toRotationMatrix()
                                         : Eigen::Matrix3d::Identity();
    Eigen::VectorXd result(2 * static_cast<Eigen::Index>(rays.size()));
    for (std::size_t i = 0; i < rays.size(); ++i) {
      const Point2d ideal = (1.0 + motion(3)) * Eigen::Vector3d(rotation * rays[i]).hnormalized();
      const auto distorted = lens::distort(fitted.model, ideal);
      if (!distorted) return std::nullopt;
      result.segment<2>(2 * static_cast<Eigen::Index>(i)) =
          lens::px_from_ideal(fitted, *distorted) - places[i];
    }
    return result;
  };
  Eigen::Vector4d motion = Eigen::Vector4d::Zero();
  constexpr int kSteps = 5;
  constexpr double kDelta = 1e-6;
  for (int step = 0; step < kSteps; ++step) {
    const auto here = errors(motion);
    if (!here) return std::nullopt;
    Eigen::MatrixXd jacobian(here->size(), 4);
    for (int k = 0; k < 4; ++k) {
      const auto there = errors(motion + kDelta * Eigen::Vector4d::Unit(k));
      if (!there) return std::nullopt;
      jacobian.col(k) = (*there - *here) / kDelta;
    }
    motion -= jacobian.householderQr().solve(*here);
  }
  return errors(motion);
}

/// The same for the rays that a lens of ours sees at the centres of 41x23 even cells of the plate,
/// so that means are means over its area. nullopt where either lens has no value.
inline std::optional<Eigen::VectorXd> field_errors_px(const lens::Lens& truth,
                                                      const lens::Lens& fitted) {
  constexpr int kColumns = 41;
  constexpr int kRows = 23;
  std::vector<Point2d> places;
  std::vector<Eigen::Vector3d> rays;
  for (int j = 0; j < kRows; ++j) {
    for (int i = 0; i < kColumns; ++i) {
      const Point2d p(truth.plate_size.width * (i + 0.5) / kColumns,
                      truth.plate_size.height * (j + 0.5) / kRows);
      const auto ideal = lens::undistort(truth.model, lens::ideal_from_px(truth, p));
      if (!ideal) return std::nullopt;
      places.push_back(p);
      rays.emplace_back(ideal->x(), ideal->y(), 1.0);
    }
  }
  return field_errors_px(places, rays, fitted);
}

/// Root mean square length of field_errors_px() with the same arguments.
template <class... Arguments>
std::optional<double> field_error_px(const Arguments&... arguments) {
  const std::optional<Eigen::VectorXd> errors = field_errors_px(arguments...);
  if (!errors) return std::nullopt;
  return std::sqrt(2.0 * errors->squaredNorm() / static_cast<double>(errors->size()));
}

}  // namespace trueplate::tests
