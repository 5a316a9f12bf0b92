// Whether the stated uncertainty is the true one, over many simulated shoots. What to expect
// follows from statistics alone: 95 % of the true values within 1.96 standard deviations, and
// errors no smaller than the Cramer-Rao bound allows.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <cmath>
#include <vector>

#include "calib/fit/detail/map_uncertainty.h"
#include "calib/fit/fit.h"
#include "tests/calib/fit/field_error.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

namespace {

constexpr double kNoisePx = 0.15;
constexpr int kShoots = 200;
constexpr unsigned kFirstSeed = 8000;
constexpr double kQuantile = 1.959964;  // of the normal distribution at 97.5 % (tables)

/// One kind of shoot, repeated with new noise (and, unless `same_poses`, new poses).
struct Campaign {
  Eigen::VectorXd covered;      // share of the shoots, per parameter
  double field_error_px = 0.0;  // root of the mean square over the shoots
  double forecast_px = 0.0;     // the same of what was forecast
  double bound_px = 0.0;        // the same of the Cramer-Rao bound
  std::vector<std::string> names;
};

Campaign run(const tests::SyntheticOptions& shoot, const fit::FitOptions& options) {
  const lens::Lens truth = tests::synthetic_lens();
  const Eigen::VectorXd wanted = tests::parameters_of(truth);
  Campaign result;
  for (int n = 0; n < kShoots; ++n) {
    tests::SyntheticOptions one = shoot;
    one.seed = kFirstSeed + static_cast<unsigned>(n);
    one.noise_px = kNoisePx;
    const auto fitted = fit::fit_lens(tests::synthetic_views(truth, one).views, options);
    REQUIRE(fitted);
    // A focal length that was given is no estimate.
    const Eigen::Index first = options.focal_mode == fit::FocalMode::kFixed ? 2 : 0;
    const Eigen::Index free = wanted.size() - first;
    const Eigen::ArrayXd off =
        (fitted->parameters - wanted).tail(free).array().abs() / fitted->sigma.tail(free).array();
    if (n == 0) result.covered = Eigen::VectorXd::Zero(free);
    result.covered += (off <= kQuantile).cast<double>().matrix() / kShoots;
    result.names.assign(fitted->parameter_names.begin() + first, fitted->parameter_names.end());
    const auto error = tests::field_error_px(truth, fitted->lens);
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

void report_and_check(const char* what, const Campaign& campaign) {
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

}  // namespace

TEST_CASE("the 95 % intervals hold the truth, and the map's error is as forecast") {
  report_and_check("10 views, as the program runs",
                   run({.num_views = 10}, {.held_out_folds = 0, .threads = 1}));
  report_and_check("8 views, small chart, believed flat",
                   run({.num_views = 8, .columns = 8, .rows = 6, .fill = 0.4},
                       {.chart_shape = fit::ChartShape::kFlat, .held_out_folds = 0, .threads = 1}));
  report_and_check("10 views, focal length given",
                   run({.num_views = 10, .max_tilt_deg = 10.0},
                       {.focal_mode = fit::FocalMode::kFixed,
                        .focal_px = tests::synthetic_lens().focal_px,
                        .held_out_folds = 0,
                        .threads = 1}));
}

TEST_CASE("the same with a bent and misprinted chart that is fitted along") {
  const auto print = [](const Eigen::Vector3d& p) {
    const double u = (p.x() - 100.0) / 100.0;
    std::mt19937 random(static_cast<unsigned>(std::lround(p.x() + 1000.0 * p.y())));
    std::normal_distribution<double> error(0.0, 0.1);
    const double x = error(random);
    return Eigen::Vector3d(p + Eigen::Vector3d(x, error(random), 1.5 * u * u));
  };
  report_and_check("12 views, bent by 1.5 mm, points 0.1 mm off",
                   run({.num_views = 12, .print = print}, {.held_out_folds = 0, .threads = 1}));
}
