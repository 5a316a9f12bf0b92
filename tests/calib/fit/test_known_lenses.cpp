// Six lenses of which everything is known, from points with known noise: how far the fitted map is
// from the true one, beside the least error that any unbiased estimate can have from the same
// points. The bound and the error are computed without the fit (tests/support/known_lens.h).

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "calib/lens/model.h"
#include "tests/calib/fit/synthetic.h"
#include "tests/support/known_lens.h"

using namespace trueplate;
using tests::KnownLens;

namespace {

constexpr int kWidth = 1920;
constexpr double kNoisePx = 0.1;
constexpr int kShoots = 30;
constexpr unsigned kFirstSeed = 600;
constexpr int kFolds = 5;
// No unbiased estimate does better than the bound; the root of the mean square over 30 shoots is
// known to some percent.
constexpr double kMostOverBound = 1.2;
constexpr double kMostOfField = 0.03;  // px rms, of the spline field on the moustache lens

tests::Synthetic shoot(const KnownLens& lens, unsigned seed, int num_views = 12) {
  return tests::synthetic_views({.plate_size = lens.plate_size,
                                 .focal_px = lens.focal_px,
                                 .plate_px = [&](const Point2d& p) { return plate_px(lens, p); }},
                                {.num_views = num_views,
                                 .columns = 14,
                                 .rows = 9,
                                 .noise_px = kNoisePx,
                                 .max_tilt_deg = 40.0,
                                 .fill = 0.9,
                                 .whole_chart = false,
                                 .seed = seed});
}

Result<fit::LensFit> fit_of(const KnownLens& lens,
                            std::string_view model,
                            const std::vector<target::View>& views,
                            int held_out_folds = 0) {
  return fit::fit_lens(
      views,
      {.model = std::string(model),
       .focal_ratio = std::round(10.0 * lens.focal_px.x() / lens.focal_px.y()) / 10.0,
       .held_out_folds = held_out_folds,
       .threads = 1});
}

/// Over several shoots: roots of mean squares, and the largest error of all.
struct Campaign {
  double rms_px = 0.0;
  double max_px = 0.0;
  double bound_px = 0.0;
};

Campaign run(const KnownLens& lens) {
  Campaign result;
  for (unsigned seed = kFirstSeed; seed < kFirstSeed + kShoots; ++seed) {
    CAPTURE(seed);
    const tests::Synthetic data = shoot(lens, seed);
    const auto fitted = fit_of(lens, lens::model_name(*lens.model), data.views);
    REQUIRE_MESSAGE(fitted.has_value(), fitted.error().message);
    const tests::FieldError error = plate_error(fitted->lens, lens);
    const double bound = cramer_rao_px(lens, data.views, data.poses, kNoisePx);
    result.rms_px += error.rms_px * error.rms_px / kShoots;
    result.max_px = std::max(result.max_px, error.max_px);
    result.bound_px += bound * bound / kShoots;
  }
  result.rms_px = std::sqrt(result.rms_px);
  result.bound_px = std::sqrt(result.bound_px);
  return result;
}

}  // namespace

TEST_CASE("a lens that a model holds is found as well as the points allow") {
  for (const KnownLens& lens : tests::known_lenses(kWidth)) {
    if (!lens.model) continue;
    CAPTURE(lens.name);
    const Campaign campaign = run(lens);
    MESSAGE(fmt::format(
        "{:<14} {:<18} {} shoots from seed {}, noise {} px: field error rms {:.4f} px, largest "
        "{:.3f} px; Cramer-Rao bound {:.4f} px; ratio {:.3f}",
        lens.name,
        lens::model_name(*lens.model),
        kShoots,
        kFirstSeed,
        kNoisePx,
        campaign.rms_px,
        campaign.max_px,
        campaign.bound_px,
        campaign.rms_px / campaign.bound_px));
    CHECK(campaign.rms_px <= kMostOverBound * campaign.bound_px);
    CHECK(campaign.rms_px >= campaign.bound_px / kMostOverBound);
  }
}

TEST_CASE("a moustache lens that no formula holds: what each model makes of it") {
  for (const KnownLens& lens : tests::known_lenses(kWidth)) {
    if (lens.model) continue;
    const tests::Synthetic data = shoot(lens, kFirstSeed, 20);
    std::size_t num_corners = 0;
    for (const target::View& view : data.views) num_corners += view.corners.size();
    for (const lens::ModelInfo& info : lens::model_table()) {
      // How stiff the spline field is, frames held out tell.
      const auto fitted = fit_of(lens, info.name, data.views, kFolds);
      if (!fitted) {
        MESSAGE(fmt::format("{:<20} {}", info.name, fitted.error().message));
        continue;
      }
      const tests::FieldError error = plate_error(fitted->lens, lens);
      if (info.name == "spline-field") {
        CHECK(error.rms_px <= kMostOfField);
        const Eigen::VectorXd off =
            fitted->parameters.head<4>() -
            (Eigen::Vector4d() << lens.focal_px, lens.principal_point_px).finished();
        CHECK(off.cwiseQuotient(fitted->sigma.head<4>()).cwiseAbs().maxCoeff() < 4.0);
      }
      MESSAGE(fmt::format(
          "{:<20} field error rms {:.4f} px, largest {:.3f} px; rms {:.3f} px, {} of {} corners",
          info.name,
          error.rms_px,
          error.max_px,
          fitted->rms_px,
          fitted->num_points,
          num_corners));
    }
  }
}
