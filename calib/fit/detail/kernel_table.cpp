#include "calib/fit/detail/kernel_table.h"

#include <Eigen/Geometry>
#include <array>
#include <cmath>
#include <variant>

#include "calib/lens/model.h"

namespace trueplate::fit::detail {

std::span<const ModelKernel> kernel_table() {
  // A new lens model is one more entry here and one small source.
  static const std::array table{kernel_radial_tangential(),
                                kernel_rational(),
                                kernel_rational_prism(),
                                kernel_rational_prism_tilt(),
                                kernel_free_centre(),
                                kernel_division_1(),
                                kernel_division_2(),
                                kernel_anamorphic_4(),
                                kernel_anamorphic_6(),
                                kernel_equidistant(),
                                kernel_spline_field()};
  static_assert(table.size() == std::variant_size_v<lens::Model>);
  return table;
}

const ModelKernel* find_kernel(std::string_view model) {
  for (const ModelKernel& kernel : kernel_table()) {
    if (kernel.model == model) return &kernel;
  }
  return nullptr;
}

CoefficientPrior prior_of(const ModelKernel& kernel) {
  if (kernel.prior != nullptr) return *kernel.prior;
  const auto pulled = static_cast<Eigen::Index>(kernel.pull_px.size());
  const auto count = static_cast<Eigen::Index>(kernel.parameter_names.size());
  CoefficientPrior prior{.rows = Eigen::MatrixXd::Zero(pulled, count),
                         .at = Eigen::VectorXd::Zero(count)};
  prior.rows.diagonal() = Eigen::Map<const Eigen::VectorXd>(kernel.pull_px.data(), pulled);
  return prior;
}

Beliefs beliefs(const CoefficientPrior& prior,
                const LeastValues* growth,
                const Eigen::VectorXd& intrinsics) {
  const Eigen::Index of_prior = prior.rows.rows();
  const Eigen::Index of_growth = growth != nullptr ? growth->rows.rows() : 0;
  const Eigen::Index count = prior.at.size();
  Beliefs result{.residuals = Eigen::VectorXd::Zero(of_prior + of_growth),
                 .by_coefficients = Eigen::MatrixXd::Zero(of_prior + of_growth, count)};
  result.residuals.head(of_prior) = prior.residuals(intrinsics);
  result.by_coefficients.topRows(of_prior) = prior.rows;
  for (Eigen::Index i = 0; i < of_growth; ++i) {
    const double excess = growth->rows.row(i).dot(intrinsics.tail(count)) - growth->least(i);
    if (excess >= 0.0) continue;
    result.residuals(of_prior + i) = excess;
    result.by_coefficients.row(of_prior + i) = growth->rows.row(i);
  }
  return result;
}

double num_held_by(const CoefficientPrior& prior, const Eigen::MatrixXd& inverse) {
  const Eigen::Index count = prior.at.size();
  const Eigen::MatrixXd rows_inverse = prior.rows * inverse.bottomRightCorner(count, count);
  return rows_inverse.cwiseProduct(prior.rows).sum();
}

std::optional<ModelKernel> simpler_kernel(const ModelKernel& kernel) {
  const ModelKernel* simpler = find_kernel(kernel.grows_from);
  if (simpler == nullptr) return std::nullopt;
  ModelKernel result = *simpler;
  result.interrupt = kernel.interrupt;
  return result;
}

Result<lens::Lens> lens_of(const ModelKernel& kernel,
                           const Eigen::VectorXd& intrinsics,
                           ImageSize plate_size) {
  Result<lens::Model> model = lens::make_model(
      kernel.model, std::span(intrinsics.data() + kNumPinhole, kernel.parameter_names.size()));
  if (!model) return fail(model.error());
  lens::Lens lens;
  lens.plate_size = plate_size;
  lens.focal_px = intrinsics.head<2>();
  lens.principal_point_px = intrinsics.segment<2>(2);
  lens.model = *std::move(model);
  return lens;
}

Eigen::Matrix3d rotation_of(const Eigen::Vector3d& rotation_vector) {
  const double angle = rotation_vector.norm();
  if (!(angle > 0.0)) return Eigen::Matrix3d::Identity();
  return Eigen::AngleAxisd(angle, rotation_vector / angle).toRotationMatrix();
}

Eigen::Matrix3d left_jacobian(const Eigen::Vector3d& rotation_vector) {
  const double a2 = rotation_vector.squaredNorm();
  Eigen::Matrix3d cross;
  cross << 0.0, -rotation_vector.z(), rotation_vector.y(),  //
      rotation_vector.z(), 0.0, -rotation_vector.x(),       //
      -rotation_vector.y(), rotation_vector.x(), 0.0;
  // I + (1 - cos a) / a^2 [v] + (a - sin a) / a^3 [v]^2, with series near zero.
  double b = 0.5 - a2 / 24.0;
  double c = 1.0 / 6.0 - a2 / 120.0;
  if (a2 > 1e-6) {
    const double a = std::sqrt(a2);
    b = (1.0 - std::cos(a)) / a2;
    c = (a - std::sin(a)) / (a2 * a);
  }
  return Eigen::Matrix3d::Identity() + b * cross + c * cross * cross;
}

}  // namespace trueplate::fit::detail
