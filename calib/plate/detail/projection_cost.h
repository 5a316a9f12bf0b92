#pragma once

#include <Eigen/Core>
#include <Eigen/Geometry>
#include <cmath>

#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// `point` turned by a rotation vector (O. Rodrigues, 1840), for any scalar; near no rotation its
/// first order, whose derivatives exist.
template <class T>
Eigen::Matrix<T, 3, 1> turned(const T* rotation_vector, const T* point) {
  using std::cos;
  using std::sin;
  using std::sqrt;
  const Eigen::Map<const Eigen::Matrix<T, 3, 1>> w(rotation_vector);
  const Eigen::Map<const Eigen::Matrix<T, 3, 1>> p(point);
  const T angle2 = w.squaredNorm();
  constexpr double kSmallestSquare = 1e-30;
  if (!(angle2 > T(kSmallestSquare))) return p + w.cross(p);
  const T angle = sqrt(angle2);
  const Eigen::Matrix<T, 3, 1> axis = w / angle;
  const T c = cos(angle);
  return p * c + axis.cross(p) * sin(angle) + axis * (axis.dot(p) * (T(1.0) - c));
}

/// The error of one observation on the plate, for a solver that differentiates. Parameters: ln f,
/// k1, k2; rotation vector and translation; point. False for a point that is not in front.
struct ProjectionCost {
  Point2d measured_px;  // from the principal point
  Eigen::Matrix2d plate_from_solver;
  double focal_ratio;

  template <class T>
  bool operator()(const T* intrinsics, const T* pose, const T* point, T* residuals) const {
    using std::exp;
    const Eigen::Matrix<T, 3, 1> p =
        turned(pose, point) + Eigen::Map<const Eigen::Matrix<T, 3, 1>>(pose + 3);
    if (!(p.z() > T(0.0))) return false;
    const T x = p.x() / p.z();
    const T y = p.y() / p.z();
    const T r2 = x * x + y * y;
    const T focal = exp(intrinsics[0]) * (T(1.0) + r2 * (intrinsics[1] + r2 * intrinsics[2]));
    const T dx = focal * x - T(measured_px.x());
    const T dy = focal * T(focal_ratio) * y - T(measured_px.y());
    residuals[0] = T(plate_from_solver(0, 0)) * dx + T(plate_from_solver(0, 1)) * dy;
    residuals[1] = T(plate_from_solver(1, 0)) * dx + T(plate_from_solver(1, 1)) * dy;
    return true;
  }
};

/// Derivatives of the error of one observation; zero where it has none.
struct ProjectionJacobian {
  Eigen::Matrix<double, 2, 3> by_intrinsics = Eigen::Matrix<double, 2, 3>::Zero();
  Eigen::Matrix<double, 2, 6> by_pose = Eigen::Matrix<double, 2, 6>::Zero();
  Eigen::Matrix<double, 2, 3> by_point = Eigen::Matrix<double, 2, 3>::Zero();
};
[[nodiscard]] ProjectionJacobian projection_jacobian(const Shot& shot,
                                                     const Observation& observation,
                                                     const Eigen::Vector3d& intrinsics,
                                                     const PoseVector& pose,
                                                     const Eigen::Vector3d& point);

}  // namespace trueplate::plate::detail
