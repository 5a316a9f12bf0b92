#pragma once

#include <Eigen/Core>
#include <functional>
#include <optional>

#include "calib/fit/fit.h"

namespace trueplate::fit::detail {

/// Fits the same views with other options.
using FitFunction = std::function<Result<LensFit>(const FitOptions&)>;

/// `options` with the focal length along x held; that along y follows the views.
[[nodiscard]] FitOptions held_at(const FitOptions& options, double focal_x_px);

/// `options` for one of many fits that only differ in a number: chart believed, nothing held out.
[[nodiscard]] FitOptions quick(FitOptions options);

/// A fit with the focal length held, and how its parameters answer to that focal length.
struct HeldFit {
  LensFit fit;
  Eigen::VectorXd by_focal;  // derivative of LensFit::parameters, per pixel
};

/// nullopt where one of the fits it needs fails.
[[nodiscard]] std::optional<HeldFit> fit_held(const FitFunction& fit,
                                              const FitOptions& options,
                                              double focal_x_px);

/// What a standard deviation of the focal length adds to the covariance of a fit that held it.
[[nodiscard]] Eigen::MatrixXd covariance_of_focal(const HeldFit& held, double focal_sigma_px);

/// The fit with that added to its covariance, and all that follows from the covariance renewed.
[[nodiscard]] LensFit widened(HeldFit held, double focal_sigma_px);

}  // namespace trueplate::fit::detail
