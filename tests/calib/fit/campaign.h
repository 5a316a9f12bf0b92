#pragma once

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <cmath>
#include <string>
#include <vector>

#include "calib/fit/detail/map_uncertainty.h"
#include "calib/fit/fit.h"
#include "tests/calib/fit/field_error.h"
#include "tests/calib/fit/synthetic.h"

namespace trueplate::tests {

// Whether the stated uncertainty is the true one, over many simulated shoots. What to expect
// follows from statistics alone: 95 % of the true values within 1.96 standard deviations, and
// errors no smaller than the Cramer-Rao bound allows.

inline constexpr double kNoisePx = 0.15;
inline constexpr int kShoots = 200;
inline constexpr unsigned kFirstSeed = 8000;
inline constexpr double kQuantile = 1.959964;  // of the normal distribution at 97.5 % (tables)

/// One kind of shoot, repeated with new noise (and, unless `same_poses`, new poses).
struct Campaign {
  Eigen::VectorXd covered;      // share of the shoots, per parameter
  double field_error_px = 0.0;  // root of the mean square over the shoots
  double forecast_px = 0.0;     // the same of what was forecast
  double bound_px = 0.0;        // the same of the Cramer-Rao bound
  std::vector<std::string> names;
};

inline Campaign run_campaign(const lens::Lens& truth,
                             const SyntheticOptions& shoot,
                             const fit::FitOptions& options) {
  const Eigen::VectorXd wanted = parameters_of(truth);
  Campaign result;
  for (int n = 0; n < kShoots; ++n) {
    SyntheticOptions one = shoot;
    one.seed = kFirstSeed + static_cast<unsigned>(n);
    one.noise_px = kNoisePx;
    const auto fitted = fit::fit_lens(synthetic_views(truth, one).views, options);
    REQUIRE(fitted);
    // A focal length that was given is no estimate.
    const Eigen::Index first = options.focal_mode == fit::FocalMode::kFixed ? 2 : 0;
    const Eigen::Index free = wanted.size() - first;
    const Eigen::ArrayXd off =
        (fitted->parameters - wanted).tail(free).array().abs() / fitted->sigma.tail(free).array();
    if (n == 0) result.covered = Eigen::VectorXd::Zero(free);
    result.covered += (off <= kQuantile).cast<double>().matrix() / kShoots;
    result.names.assign(fitted->parameter_names.begin() + first, fitted->parameter_names.end());
    const auto error = field_error_px(truth, fitted->lens);
    REQUIRE(error);
    result.field_error_px += *error * *error / kShoots;
    const auto forecast = [&](const lens::Lens& lens, const Eigen::MatrixXd& covariance) {
      const double rms =
          fit::detail::map_sigma(lens, covariance, fit::Absorbed::kRotationAndFocal).rms_px;
      return rms * rms / kShoots;
    };
    result.forecast_px += forecast(fitted->lens, fitted->covariance);
    // The bound: the information at the truth, with the noise that was put in.
    result.bound_px +=
        forecast(truth, std::pow(kNoisePx / fitted->noise_sigma_px, 2) * fitted->covariance);
  }
  result.field_error_px = std::sqrt(result.field_error_px);
  result.forecast_px = std::sqrt(result.forecast_px);
  result.bound_px = std::sqrt(result.bound_px);
  return result;
}

inline void report_and_check(const char* what, const Campaign& campaign) {
  std::string shares;
  for (Eigen::Index i = 0; i < campaign.covered.size(); ++i) {
    shares += fmt::format(
        " {} {:.1f}", campaign.names[static_cast<std::size_t>(i)], 100.0 * campaign.covered(i));
  }
  MESSAGE(fmt::format(
      "{}: {} shoots from seed {}: true value within the 95 % interval in {:.1f} % of cases ({}); "
      "field error {:.4f} px, forecast {:.4f} ({:+.1f} %), Cramer-Rao bound {:.4f}",
      what,
      kShoots,
      kFirstSeed,
      100.0 * campaign.covered.mean(),
      shares.substr(1),
      campaign.field_error_px,
      campaign.forecast_px,
      100.0 * (campaign.forecast_px / campaign.field_error_px - 1.0),
      campaign.bound_px));
  CHECK(campaign.covered.mean() > 0.92);
  CHECK(campaign.covered.mean() < 0.98);
  // One parameter alone: 92 to 98 % and two of its own standard deviations (1.4 %).
  CHECK(campaign.covered.minCoeff() > 0.89);
  CHECK(std::abs(campaign.forecast_px / campaign.field_error_px - 1.0) < 0.15);
  // No unbiased estimate beats the bound; 200 shoots know the mean square to about 5 %.
  CHECK(campaign.field_error_px > 0.9 * campaign.bound_px);
}

}  // namespace trueplate::tests
