#include "calib/fit/detail/held_focal.h"

#include <utility>

#include "calib/fit/detail/map_uncertainty.h"

namespace trueplate::fit::detail {
namespace {

// The coefficients go with up to the sixth power of the focal length.
constexpr double kDerivativeStep = 0.02;

}  // namespace

FitOptions held_at(const FitOptions& options, double focal_x_px) {
  FitOptions held = options;
  held.focal_mode = FocalMode::kOneFixed;
  held.focal_px = Point2d(focal_x_px, focal_x_px / options.focal_ratio);
  held.chart_distance_mm.reset();
  return held;
}

FitOptions quick(FitOptions options) {
  options.chart_shape = ChartShape::kFlat;
  options.held_out_folds = 0;
  return options;
}

std::optional<HeldFit> fit_held(const FitFunction& fit,
                                const FitOptions& options,
                                double focal_x_px) {
  Result<LensFit> here = fit(held_at(options, focal_x_px));
  const Result<LensFit> shorter =
      fit(quick(held_at(options, (1.0 - kDerivativeStep) * focal_x_px)));
  const Result<LensFit> longer = fit(quick(held_at(options, (1.0 + kDerivativeStep) * focal_x_px)));
  if (!here || !shorter || !longer) return std::nullopt;
  return HeldFit{*std::move(here),
                 (longer->parameters - shorter->parameters) / (2.0 * kDerivativeStep * focal_x_px)};
}

Eigen::MatrixXd covariance_of_focal(const HeldFit& held, double focal_sigma_px) {
  return focal_sigma_px * focal_sigma_px * held.by_focal * held.by_focal.transpose();
}

LensFit widened(HeldFit held, double focal_sigma_px) {
  LensFit& fit = held.fit;
  fit.covariance += covariance_of_focal(held, focal_sigma_px);
  fit.sigma = fit.covariance.diagonal().cwiseSqrt();
  state_map_sigma(fit);
  return std::move(held.fit);
}

}  // namespace trueplate::fit::detail
