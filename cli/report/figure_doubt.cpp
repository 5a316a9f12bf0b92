#include "cli/report/figure_doubt.h"

#include <fmt/format.h>

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "calib/lens/model.h"
#include "calib/profile/verdict.h"

namespace trueplate::cli {
namespace {

/// Of focal lengths, principal point and coefficients: those that come before the coefficients.
constexpr Eigen::Index kNumPinhole = 4;

/// Small, since a lens that is guessed in parts may fold one standard deviation away.
constexpr double kStepSigmas = 0.05;

/// The lens with one parameter, in the order of profile::Uncertainty, changed by `step`.
std::optional<lens::Lens> moved(const lens::Lens& lens, Eigen::Index parameter, double step) {
  lens::Lens result = lens;
  if (parameter < 2) {
    result.focal_px[parameter] += step;
    return result;
  }
  if (parameter < kNumPinhole) {
    result.principal_point_px[parameter - 2] += step;
    return result;
  }
  const auto known = lens::parameters(lens.model);
  std::vector<double> values(known.begin(), known.end());
  const auto coefficient = static_cast<std::size_t>(parameter - kNumPinhole);
  if (coefficient >= values.size()) return std::nullopt;
  values[coefficient] += step;
  Result<lens::Model> model = lens::make_model(lens::model_name(lens.model), values);
  if (!model) return std::nullopt;
  result.model = std::move(*model);
  return result;
}

}  // namespace

std::optional<double> sigma_of(
    const profile::Station& station,
    const std::function<std::optional<double>(const lens::Lens&)>& figure) {
  if (!station.uncertainty) return std::nullopt;
  const Eigen::MatrixXd& covariance = station.uncertainty->covariance;
  Eigen::VectorXd gradient = Eigen::VectorXd::Zero(covariance.rows());
  for (Eigen::Index i = 0; i < covariance.rows(); ++i) {
    const double step = kStepSigmas * std::sqrt(covariance(i, i));
    if (!(step > 0.0)) continue;
    const auto below = moved(station.lens, i, -step);
    const auto above = moved(station.lens, i, step);
    if (!below || !above) return std::nullopt;
    const std::optional<double> least = figure(*below);
    const std::optional<double> most = figure(*above);
    if (!least || !most) return std::nullopt;
    gradient[i] = (*most - *least) / (2.0 * step);
  }
  const double variance = gradient.dot(covariance * gradient);
  if (!std::isfinite(variance)) return std::nullopt;
  return std::sqrt(std::max(variance, 0.0));
}

std::string doubted_text(double value,
                         const std::optional<double>& sigma,
                         int decimals,
                         bool is_signed) {
  const double finest = std::pow(10.0, -decimals);
  int shown = decimals;
  if (sigma && *sigma > 0.0) {
    shown = std::clamp(1 - static_cast<int>(std::floor(std::log10(*sigma))), 0, decimals);
  }
  const std::string text =
      is_signed ? fmt::format("{:+.{}f}", value, shown) : fmt::format("{:.{}f}", value, shown);
  if (!sigma) return text;
  if (*sigma < 0.5 * finest) return text;
  return fmt::format("{} \xC2\xB1 {:.{}f}", text, *sigma, shown);
}

double guessed_px(const profile::Station& station) {
  if (!station.quality) return 0.0;
  const double worst = station.quality->map_sigma_max_px.value_or(0.0);
  return worst > profile::kUncertainMapPx ? worst : 0.0;
}

}  // namespace trueplate::cli
