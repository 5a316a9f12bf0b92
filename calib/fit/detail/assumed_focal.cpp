#include "calib/fit/detail/assumed_focal.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>
#include <vector>

#include "calib/fit/detail/map_uncertainty.h"

namespace trueplate::fit::detail {
namespace {

// Times the plate's longer side; fields of view of 110 to 5 degrees.
constexpr double kShortest = 0.35;
constexpr int kNumTried = 11;  // each longer than the one before by the root of 2
// A 35 mm lens before a film back of 24.89 mm. Common practice without a source.
constexpr double kUsual = 1.4;
// 99.9 % of chi square with one degree of freedom (tables): what fits equally well.
constexpr double kEquallyGood = 10.83;
// Residuals below this are rounding.
constexpr double kExactPx = 1e-4;
// The number on a barrel, and a guess among all that fit. Common practice without a source.
constexpr double kGivenDoubt = 0.05;
constexpr double kLeastDoubt = 0.15;
constexpr double kMostDoubt = 0.5;  // beyond, a standard deviation means nothing
constexpr double kMostDependentPx = 0.5;

struct Valley {
  double least_px = 0.0;
  double most_px = 0.0;
};

/// From the least to the most of the tried focal lengths that fit as well as the best. One between
/// them that does not has ended in a local optimum: the profile has no second valley.
std::optional<Valley> find_valley(const FitFunction& fit,
                                  const FitOptions& options,
                                  double longer) {
  struct Tried {
    double focal_px;
    double mean_square;
    double num_residuals;
  };
  std::vector<Tried> tried;
  for (int i = 0; i < kNumTried; ++i) {
    const double focal = kShortest * longer * std::pow(2.0, 0.5 * i);
    const Result<LensFit> one = fit(quick(held_at(options, focal)));
    if (!one) continue;
    tried.push_back(
        {focal, one->rms_px * one->rms_px + kExactPx * kExactPx, 2.0 * one->num_points});
  }
  if (tried.empty()) return std::nullopt;
  const Tried best =
      *std::min_element(tried.begin(), tried.end(), [](const Tried& a, const Tried& b) {
        return a.mean_square < b.mean_square;
      });
  const auto as_good = [&best](const Tried& t) {
    return t.num_residuals * std::log(t.mean_square / best.mean_square) < kEquallyGood;
  };
  std::erase_if(tried, [&](const Tried& t) { return !as_good(t); });
  return Valley{tried.front().focal_px, tried.back().focal_px};
}

}  // namespace

std::optional<LensFit> fit_with_assumed_focal(const FitFunction& fit,
                                              const FitOptions& options,
                                              ImageSize plate) {
  const double longer = std::max(plate.width, plate.height);
  const std::optional<Valley> valley = find_valley(fit, options, longer);
  if (!valley) return std::nullopt;
  const bool given = options.focal_px.has_value();
  const double focal = std::clamp(
      given ? options.focal_px->x() : kUsual * longer, valley->least_px, valley->most_px);
  std::optional<HeldFit> held = fit_held(fit, options, focal);
  if (!held) return std::nullopt;

  const double doubt = given ? kGivenDoubt * focal
                             : std::clamp(0.25 * (valley->most_px - valley->least_px),
                                          kLeastDoubt * focal,
                                          kMostDoubt * focal);
  const double dependent =
      map_sigma(held->fit.lens, covariance_of_focal(*held, doubt), Absorbed::kRotationAndFocal)
          .max_px;
  if (!(dependent < kMostDependentPx)) return std::nullopt;

  LensFit result = widened(*std::move(held), doubt);
  result.focal_range_px = {valley->least_px, valley->most_px};
  std::erase_if(result.warnings, [](const Warning& w) { return w.code == "uncertain-focal"; });
  result.warnings.insert(
      result.warnings.begin(),
      {"focal-assumed",
       fmt::format(
           "the focal length cannot be told from the distance of a square-on chart: {:.0f} px was "
           "{}, "
           "{:.0f} to {:.0f} px fit as well; the straightening does not depend on it ({:.2f} px at "
           "most), a camera solve does: add frames tilted by 20 to 45 degrees, or give the focal "
           "length",
           focal,
           given ? "given" : "assumed",
           valley->least_px,
           valley->most_px,
           dependent),
       focal});
  return result;
}

}  // namespace trueplate::fit::detail
