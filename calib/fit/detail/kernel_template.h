#pragma once

#include <ceres/jet.h>

#include <Eigen/Geometry>
#include <array>
#include <cmath>
#include <cstring>
#include <type_traits>

#include "calib/fit/detail/kernel.h"

namespace trueplate::fit::detail {

/// The kernel of one model, instantiated in a translation unit of its own. The model's function is
/// differentiated automatically, in 2 + m directions (3 + m where it takes rays); pose and pinhole
/// by hand, because there the chain rule is short and the automatic version would carry m + 10
/// directions through it.
template <class Model>
class KernelOf {
 public:
  static constexpr int kNumCoefficients = Model::kNumParameters;
  static constexpr int kNumIntrinsics = kNumPinhole + kNumCoefficients;

  /// `grows_from` and `grown` as in ModelKernel; neither where a fit can begin without distortion.
  static constexpr ModelKernel table_row(std::string_view grows_from = {},
                                         GrowCoefficients grown = nullptr) {
    return {.model = Model::kName,
            .parameter_names = Model::kParameterNames,
            .evaluate = &evaluate,
            .distort = &distort,
            .grows_from = grows_from,
            .grown = grown};
  }

  static void distort(const double* p_ideal,
                      const double* coefficients,
                      double* p_distorted,
                      double* d_ideal,
                      double* d_coefficients) {
    if constexpr (kByHand) {
      typename Model::ByIdeal by_ideal;
      typename Model::ByParameters by_parameters;
      Eigen::Map<Point2d> image(p_distorted);
      image = Model::distort_with_derivatives(
          Point2d(p_ideal[0], p_ideal[1]), coefficients, by_ideal, &by_parameters);
      Eigen::Map<Eigen::Matrix<double, 2, 2, Eigen::RowMajor>>{d_ideal} = by_ideal;
      Eigen::Map<Eigen::Matrix<double, 2, kNumCoefficients, Eigen::RowMajor>>{d_coefficients} =
          by_parameters;
    } else {
      distort_with_jets(p_ideal, coefficients, p_distorted, d_ideal, d_coefficients);
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
    Seeds k{};
    if (derivatives) seed(intrinsics + kNumPinhole, k);
    const double fx = intrinsics[0];
    const double fy = intrinsics[1];
    // A focal length of the other sign would fit the same picture turned by 180 degrees.
    if (!(fx > 0.0) || !(fy > 0.0)) return false;

    for (std::size_t i = 0; i < view.size(); ++i) {
      const Eigen::Vector3d turned =
          rotation * Eigen::Map<const Eigen::Vector3d>(&view.chart_mm[3 * i]);
      const Eigen::Vector3d p = turned + translation;
      if (!kTakesRays && !(p.z() > nearest)) return false;
      if constexpr (requires { Model::allows_corner(Point2d(), intrinsics); }) {
        if (!Model::allows_corner(p.hnormalized(), intrinsics + kNumPinhole)) return false;
      }
      const double w = view.root_weight[i];
      double* r = residuals + 2 * i;

      if (!derivatives) {
        const Point2d q = image_only(p, intrinsics + kNumPinhole);
        r[0] = w * (fx * q.x() + intrinsics[2] - view.plate_px[2 * i]);
        r[1] = w * (fy * q.y() + intrinsics[3] - view.plate_px[2 * i + 1]);
        if (cauchy_scale > 0.0) soften(cauchy_scale, r);
        if (!std::isfinite(r[0]) || !std::isfinite(r[1])) return false;
        continue;
      }

      const Imaged q = image(p, k);
      r[0] = w * (fx * q.p.x() + intrinsics[2] - view.plate_px[2 * i]);
      r[1] = w * (fy * q.p.y() + intrinsics[3] - view.plate_px[2 * i + 1]);

      Eigen::Matrix<double, 2, kNumIntrinsics> by_intrinsics;
      if (d_intrinsics != nullptr) {
        by_intrinsics.template leftCols<kNumPinhole>() << w * q.p.x(), 0.0, w, 0.0,  //
            0.0, w * q.p.y(), 0.0, w;
        by_intrinsics.template block<1, kNumCoefficients>(0, kNumPinhole) =
            w * fx * q.by_coefficients.row(0);
        by_intrinsics.template block<1, kNumCoefficients>(1, kNumPinhole) =
            w * fy * q.by_coefficients.row(1);
      }
      Eigen::Matrix<double, 2, kNumPose> by_pose;
      if (d_pose != nullptr) {
        for (int row = 0; row < 2; ++row) {
          const Eigen::RowVector3d by_point = (w * (row == 0 ? fx : fy)) * q.by_point.row(row);
          // d(turned) = (J dv) x turned, so a row g gives (turned x g) J.
          by_pose.template block<1, 3>(row, 0) =
              turned.cross(by_point.transpose()).transpose() * turn_jacobian;
          by_pose.template block<1, 3>(row, 3) = by_point;
        }
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
  /// Models with a formula for rays see the camera point itself, others its image on z = 1.
  static constexpr bool kTakesRays = requires(const Eigen::Vector3d& ray, const double* k) {
    Model::distort_ray(ray, k);
  };
  /// Models of very many coefficients, few of which count at a point, differentiate themselves.
  static constexpr bool kByHand = requires { typename Model::ByParameters; };
  static constexpr int kNumDirections = kTakesRays ? 3 : 2;
  using Jet = ceres::Jet<double, kNumDirections + kNumCoefficients>;
  using Jets = std::array<Jet, kNumCoefficients>;
  /// The coefficients as the differentiated formula takes them.
  using Seeds = std::conditional_t<kByHand, const double*, Jets>;

  /// A distorted point with its derivatives by the camera point and by the coefficients.
  struct Imaged {
    Point2d p;
    Eigen::Matrix<double, 2, 3> by_point;
    Eigen::Matrix<double, 2, kNumCoefficients> by_coefficients;
  };

  static Point2d image_only(const Eigen::Vector3d& p_camera, const double* coefficients) {
    if constexpr (kTakesRays) {
      return Model::distort_ray(p_camera, coefficients);
    } else {
      return Model::distort(Point2d(p_camera.hnormalized()), coefficients);
    }
  }

  static Imaged image(const Eigen::Vector3d& p_camera, const double* coefficients) {
    Imaged result;
    const Point2d ideal = p_camera.hnormalized();
    typename Model::ByIdeal by_ideal;
    result.p =
        Model::distort_with_derivatives(ideal, coefficients, by_ideal, &result.by_coefficients);
    result.by_point << by_ideal, -by_ideal * ideal;
    result.by_point /= p_camera.z();
    return result;
  }

  static Imaged image(const Eigen::Vector3d& p_camera, const Jets& k) {
    Imaged result;
    Point2<Jet> q;
    if constexpr (kTakesRays) {
      q = Model::distort_ray(Eigen::Matrix<Jet, 3, 1>(
                                 Jet(p_camera.x(), 0), Jet(p_camera.y(), 1), Jet(p_camera.z(), 2)),
                             k.data());
      for (int row = 0; row < 2; ++row) {
        result.by_point.row(row) = q(row).v.template head<3>().transpose();
      }
    } else {
      const Point2d ideal = p_camera.hnormalized();
      q = Model::distort(Point2<Jet>(Jet(ideal.x(), 0), Jet(ideal.y(), 1)), k.data());
      for (int row = 0; row < 2; ++row) {
        // d(x, y) / dp = [1 0 -x; 0 1 -y] / z
        const Eigen::RowVector2d by_ideal = q(row).v.template head<2>().transpose();
        result.by_point.row(row) << by_ideal, -by_ideal.dot(ideal);
      }
      result.by_point /= p_camera.z();
    }
    for (int row = 0; row < 2; ++row) {
      result.p(row) = q(row).a;
      result.by_coefficients.row(row) = q(row).v.template tail<kNumCoefficients>().transpose();
    }
    return result;
  }

  static void distort_with_jets(const double* p_ideal,
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
        d_coefficients[kNumCoefficients * row + i] = q(row).v[kNumDirections + i];
      }
    }
  }

  static void seed(const double* coefficients, const double*& k) { k = coefficients; }
  static void seed(const double* coefficients, Jets& k) {
    for (int i = 0; i < kNumCoefficients; ++i) k[i] = Jet(coefficients[i], kNumDirections + i);
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
