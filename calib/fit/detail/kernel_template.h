#pragma once

#include <ceres/jet.h>

#include <Eigen/Geometry>
#include <array>
#include <cmath>
#include <cstring>

#include "calib/fit/detail/kernel.h"

namespace trueplate::fit::detail {

/// The kernel of one model, instantiated in a translation unit of its own. The model's function is
/// differentiated automatically, in 2 + m directions; pose and pinhole by hand, because there the
/// chain rule is short and the automatic version would carry m + 10 directions through it.
template <class Model>
class KernelOf {
 public:
  static constexpr int kNumCoefficients = Model::kNumParameters;
  static constexpr int kNumIntrinsics = kNumPinhole + kNumCoefficients;

  static constexpr ModelKernel table_row() {
    return {Model::kName, Model::kParameterNames, &evaluate, &distort};
  }

  static void distort(const double* p_ideal,
                      const double* coefficients,
                      double* p_distorted,
                      double* d_ideal,
                      double* d_coefficients) {
    Point2<Jet> p;
    std::array<Jet, kNumCoefficients> k;
    seed(coefficients, k);
    p.x() = Jet(p_ideal[0], 0);
    p.y() = Jet(p_ideal[1], 1);
    const Point2<Jet> q = Model::distort(p, k.data());
    for (int row = 0; row < 2; ++row) {
      p_distorted[row] = q(row).a;
      for (int i = 0; i < 2; ++i) d_ideal[2 * row + i] = q(row).v[i];
      for (int i = 0; i < kNumCoefficients; ++i) {
        d_coefficients[kNumCoefficients * row + i] = q(row).v[2 + i];
      }
    }
  }

  static bool evaluate(const ViewPoints& view,
                       const double* intrinsics,
                       const Pose& base,
                       const double* step,
                       double cauchy_scale,
                       double* residuals,
                       double* d_intrinsics,
                       double* d_pose) {
    const Eigen::Vector3d turn(step[0], step[1], step[2]);
    const Eigen::Vector3d translation(step[3], step[4], step[5]);
    const Eigen::Matrix3d rotation = rotation_of(turn) * base.rotation;
    const double nearest = 1e-6 * std::abs(translation.z());
    const bool derivatives = d_intrinsics != nullptr || d_pose != nullptr;
    const Eigen::Matrix3d turn_jacobian =
        d_pose != nullptr ? left_jacobian(turn) : Eigen::Matrix3d::Zero();
    std::array<Jet, kNumCoefficients> k;
    if (derivatives) seed(intrinsics + kNumPinhole, k);
    const double fx = intrinsics[0];
    const double fy = intrinsics[1];
    // A focal length of the other sign would fit the same picture turned by 180 degrees.
    if (!(fx > 0.0) || !(fy > 0.0)) return false;

    for (std::size_t i = 0; i < view.size(); ++i) {
      const Eigen::Vector3d turned =
          rotation * Eigen::Map<const Eigen::Vector3d>(&view.chart_mm[3 * i]);
      const Eigen::Vector3d p = turned + translation;
      if (!(p.z() > nearest)) return false;
      const double inverse_z = 1.0 / p.z();
      const double x = p.x() * inverse_z;
      const double y = p.y() * inverse_z;
      const double w = view.root_weight[i];
      double* r = residuals + 2 * i;

      if (!derivatives) {
        const Point2d q =
            Model::distort(Point2d(x, y), static_cast<const double*>(intrinsics + kNumPinhole));
        r[0] = w * (fx * q.x() + intrinsics[2] - view.plate_px[2 * i]);
        r[1] = w * (fy * q.y() + intrinsics[3] - view.plate_px[2 * i + 1]);
        if (cauchy_scale > 0.0) soften(cauchy_scale, r);
        if (!std::isfinite(r[0]) || !std::isfinite(r[1])) return false;
        continue;
      }

      Point2<Jet> p_ideal;
      p_ideal.x() = Jet(x, 0);
      p_ideal.y() = Jet(y, 1);
      const Point2<Jet> q = Model::distort(p_ideal, k.data());
      r[0] = w * (fx * q.x().a + intrinsics[2] - view.plate_px[2 * i]);
      r[1] = w * (fy * q.y().a + intrinsics[3] - view.plate_px[2 * i + 1]);

      Eigen::Matrix<double, 2, kNumIntrinsics> by_intrinsics;
      if (d_intrinsics != nullptr) {
        by_intrinsics.template leftCols<kNumPinhole>() << w * q.x().a, 0.0, w, 0.0,  //
            0.0, w * q.y().a, 0.0, w;
        by_intrinsics.template block<1, kNumCoefficients>(0, kNumPinhole) =
            w * fx * q.x().v.template segment<kNumCoefficients>(2).transpose();
        by_intrinsics.template block<1, kNumCoefficients>(1, kNumPinhole) =
            w * fy * q.y().v.template segment<kNumCoefficients>(2).transpose();
      }
      Eigen::Matrix<double, 2, kNumPose> by_pose;
      if (d_pose != nullptr) {
        // By the camera point: d(x, y) / dp = [1 0 -x; 0 1 -y] / z.
        Eigen::Matrix<double, 2, 3> by_point;
        for (int row = 0; row < 2; ++row) {
          const double scale = w * (row == 0 ? fx : fy) * inverse_z;
          const double a = scale * q(row).v[0];
          const double b = scale * q(row).v[1];
          by_point.row(row) << a, b, -(a * x + b * y);
          // d(turned) = (J dv) x turned, so a row g gives (turned x g) J.
          by_pose.template block<1, 3>(row, 0) =
              turned.cross(by_point.row(row).transpose()).transpose() * turn_jacobian;
        }
        by_pose.template rightCols<3>() = by_point;
      }
      if (cauchy_scale > 0.0) {
        const Eigen::Matrix2d outer = soften(cauchy_scale, r);
        if (d_intrinsics != nullptr) by_intrinsics = (outer * by_intrinsics).eval();
        if (d_pose != nullptr) by_pose = (outer * by_pose).eval();
      }
      // Derivatives can overflow a little before the residual does; Ceres would print a complaint.
      double check = r[0] + r[1];
      if (d_intrinsics != nullptr) check += by_intrinsics.sum();
      if (d_pose != nullptr) check += by_pose.sum();
      if (!std::isfinite(check)) return false;
      if (d_intrinsics != nullptr) {
        Eigen::Map<Eigen::Matrix<double, 2, kNumIntrinsics, Eigen::RowMajor>>(
            d_intrinsics + 2 * kNumIntrinsics * i) = by_intrinsics;
      }
      if (d_pose != nullptr) {
        Eigen::Map<Eigen::Matrix<double, 2, kNumPose, Eigen::RowMajor>>(d_pose + 2 * kNumPose * i) =
            by_pose;
      }
    }
    return true;
  }

 private:
  using Jet = ceres::Jet<double, 2 + kNumCoefficients>;

  static void seed(const double* coefficients, std::array<Jet, kNumCoefficients>& k) {
    for (int i = 0; i < kNumCoefficients; ++i) k[i] = Jet(coefficients[i], 2 + i);
  }

  /// Replaces r by sqrt(g) r with g = log(1 + z) / z, z = |r|^2 / c^2, and returns d(new r)/d(r).
  static Eigen::Matrix2d soften(double c, double* r) {
    const Eigen::Vector2d old(r[0], r[1]);
    const double z = old.squaredNorm() / (c * c);
    // Series below the point where the quotients lose more digits than the series drops.
    const bool small = z < 1e-4;
    const double g = small ? 1.0 - z * (0.5 - z * (1.0 / 3.0 - 0.25 * z)) : std::log1p(z) / z;
    const double slope = small ? -0.5 + z * (2.0 / 3.0 - 0.75 * z) : (1.0 / (1.0 + z) - g) / z;
    const double root = std::sqrt(g);
    r[0] = root * old.x();
    r[1] = root * old.y();
    return root * Eigen::Matrix2d::Identity() + (slope / (root * c * c)) * old * old.transpose();
  }
};

}  // namespace trueplate::fit::detail
