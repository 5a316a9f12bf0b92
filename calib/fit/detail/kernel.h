#pragma once

#include <Eigen/Core>
#include <atomic>
#include <optional>
#include <span>
#include <string_view>

#include "calib/fit/closed_form.h"
#include "calib/fit/detail/view_points.h"
#include "calib/lens/lens.h"

namespace trueplate::fit::detail {

/// Number of intrinsics in front of the model's coefficients: focal x, y, principal point x, y.
inline constexpr int kNumPinhole = 4;
inline constexpr int kNumPose = 6;

/// Residuals of one view, predicted minus measured times the corner's weight, x and y alternating.
///
/// intrinsics     focal x, y, principal point x, y, then the model's coefficients
/// base, step     the pose is base turned by the rotation vector step[0..2] (on the left) and moved
///                to translation step[3..5]: p_camera = exp(step[0..2]) base.rotation p_chart +
///                step[3..5]
/// cauchy_scale   0 for least squares. Otherwise residual and derivatives are those of the vector
///                whose squared length is c^2 log(1 + |r|^2 / c^2), so that a plain least-squares
///                solver minimises Cauchy's loss.
/// residuals      2 n
/// d_intrinsics   2 n x num_intrinsics, row by row; null when not wanted
/// d_pose         2 n x 6, row by row; null when not wanted
/// returns        false when the model allows no such corner, when one is not in front of the
/// camera
///                (of a model without rays beyond 90 degrees), or a number overflows
using EvaluateView = bool (*)(const ViewPoints& view,
                              const double* intrinsics,
                              const Pose& base,
                              const double* step,
                              double cauchy_scale,
                              double* residuals,
                              double* d_intrinsics,
                              double* d_pose);

/// distort() with its derivatives: by the ideal point (2 x 2) and by the coefficients (2 x m), both
/// row by row.
using DistortWithDerivatives = void (*)(const double* p_ideal,
                                        const double* coefficients,
                                        double* p_distorted,
                                        double* d_ideal,
                                        double* d_coefficients);

/// What is believed of the coefficients before any corner is seen: residuals rows (coefficients -
/// at), in pixels, that are fitted along with those of the corners.
struct CoefficientPrior {
  Eigen::MatrixXd rows;  // any number of rows; a column for each coefficient
  Eigen::VectorXd at;

  /// The residuals at the coefficients behind the pinhole's intrinsics.
  [[nodiscard]] Eigen::VectorXd residuals(const Eigen::VectorXd& intrinsics) const {
    return rows * (intrinsics.tail(at.size()) - at);
  }
};

/// What no coefficients may fall below: rows coefficients >= least, in pixels of residual; what is
/// missing is fitted along with the residuals of the corners.
struct LeastValues {
  Eigen::MatrixXd rows;  // any number of rows; a column for each coefficient
  Eigen::VectorXd least;
};

/// How stiff a prior is, in pixels: the larger, the nearer the lens stays to the simpler one.
struct Stiffness {
  double round_px;  // of what is round about the axis
  double field_px;  // of the rest
};

/// The prior of a model whose coefficients would not be determined without. `simpler` is the lens
/// as the simpler model has it, `seen_px` where on the plate there are corners.
using MakePrior = CoefficientPrior (*)(const lens::Lens& simpler,
                                       const Stiffness& stiffness,
                                       std::span<const Point2d> seen_px);

/// The coefficients with which a fit continues that was begun with the simpler model's. On entry
/// they are those of a fit that begins without.
using GrowCoefficients = void (*)(const double* simpler, double* coefficients);

/// All that the fit needs to know of one lens model.
struct ModelKernel {
  std::string_view model;
  std::span<const std::string_view> parameter_names;
  EvaluateView evaluate = nullptr;
  DistortWithDerivatives distort = nullptr;
  /// A simpler model that is fitted first, because the coefficients would not be found from zero;
  /// empty when there is none.
  std::string_view grows_from = {};
  GrowCoefficients grown = nullptr;
  /// Whether the lens without coefficients is a pinhole, so that homographies of the plate are a
  /// start. Else the start is found by trying focal lengths.
  bool begins_as_pinhole = true;

  /// Each coefficient counts as measured to be 0, with this weight in pixels of residual per unit:
  /// far below the noise of corners for coefficients of an ordinary size, but enough to choose
  /// among coefficients that fit equally well. Empty where the model leaves no such choice.
  std::span<const double> pull_px = {};

  /// Set for models that need a prior; how stiff it is has to be found by cross-validation.
  MakePrior make_prior = nullptr;
  /// That prior, in the copies of a kernel that are fitted with; not owned.
  const CoefficientPrior* prior = nullptr;
  /// Set in the copies of a kernel that are kept from folding; not owned. Part of the fit, but not
  /// of what is known: uncertainties leave it out.
  const LeastValues* growth = nullptr;
  /// FitOptions::interrupt, in the copies of a kernel that are fitted with: whatever iterates with
  /// a kernel gives up when it is set, as if it had found nothing.
  const std::atomic<bool>* interrupt = nullptr;

  [[nodiscard]] int num_intrinsics() const {
    return kNumPinhole + static_cast<int>(parameter_names.size());
  }
};

/// The table of kernels, one for each entry of lens::model_table(), in its order.
[[nodiscard]] std::span<const ModelKernel> kernel_table();

/// The kernel of a model, or null when the name is unknown.
[[nodiscard]] const ModelKernel* find_kernel(std::string_view model);

/// The simpler model that `kernel` grows from, to be interrupted like it; nullopt: there is none.
[[nodiscard]] std::optional<ModelKernel> simpler_kernel(const ModelKernel& kernel);

/// The kernel's prior, or its pull written as one; without rows where it has neither.
[[nodiscard]] CoefficientPrior prior_of(const ModelKernel& kernel);

/// The residuals of the prior and of the least values at the coefficients behind the pinhole's
/// intrinsics, and their derivatives by the coefficients.
struct Beliefs {
  Eigen::VectorXd residuals;
  Eigen::MatrixXd by_coefficients;
};
[[nodiscard]] Beliefs beliefs(const CoefficientPrior& prior,
                              const LeastValues* growth,
                              const Eigen::VectorXd& intrinsics);

/// How many coefficients a prior determines instead of the corners. `inverse` is that of the
/// information of intrinsics, the prior's included.
[[nodiscard]] double num_held_by(const CoefficientPrior& prior, const Eigen::MatrixXd& inverse);

/// The lens with these intrinsics. An error when one is not a finite number.
[[nodiscard]] Result<lens::Lens> lens_of(const ModelKernel& kernel,
                                         const Eigen::VectorXd& intrinsics,
                                         ImageSize plate_size);

/// exp of a rotation vector.
[[nodiscard]] Eigen::Matrix3d rotation_of(const Eigen::Vector3d& rotation_vector);

/// The matrix J with exp(v + dv) = exp(J dv) exp(v) to first order (the left Jacobian of the
/// rotation group).
[[nodiscard]] Eigen::Matrix3d left_jacobian(const Eigen::Vector3d& rotation_vector);

}  // namespace trueplate::fit::detail
