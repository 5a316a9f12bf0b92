#include "calib/plate/detail/lens_trials.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "calib/base/chance.h"
#include "calib/plate/detail/lens_scatter.h"
#include "calib/plate/detail/selection.h"

namespace trueplate::plate::detail {
namespace {

/// The better of the fits that begin at the given scenes.
ChainFit fit_chain(const Shot& shot,
                   std::span<const char> chain,
                   std::span<const Scene* const> starts,
                   bool free_focal,
                   int num_radial) {
  const BundleOptions options{.free_focal = free_focal, .num_radial = num_radial, .frames = chain};
  ChainFit best;
  for (const Scene* start : starts) {
    ChainFit fit;
    fit.scene = *start;
    const Selection selection = select(shot, options, fit.scene);
    const BundleSummary summary = bundle(shot, options, fit.scene);
    if (summary.num_observations == 0) continue;
    fit.sum_of_squares = summary.sum_of_squares;
    fit.num_observations = summary.num_observations;
    fit.freedom = freedom(selection, num_radial + (free_focal ? 1 : 0));
    const bool better =
        fit.num_observations > best.num_observations ||
        (fit.num_observations == best.num_observations && fit.sum_of_squares < best.sum_of_squares);
    if (better) best = std::move(fit);
  }
  return best;
}

/// Of ln f at the optimum `fit`, with the radial terms open that are.
double focal_sigma(const Shot& shot,
                   std::span<const char> chain,
                   const ChainFit& fit,
                   int num_radial) {
  const BundleOptions options{.free_focal = true, .num_radial = num_radial, .frames = chain};
  const double variance = fit.sum_of_squares / std::max(1.0, fit.freedom);
  const auto doubt = intrinsics_doubt(shot, options, fit.scene, variance);
  return doubt ? std::sqrt(doubt->covariance(0, 0)) : std::numeric_limits<double>::infinity();
}

}  // namespace

double ChainFit::rms_px() const {
  return num_observations > 0 ? std::sqrt(sum_of_squares / num_observations) : 0.0;
}

bool Improvement::matters(double scale) const {
  return p_value < kSignificant && share_px > kMattersPx * scale;
}

Improvement improvement(const ChainFit& simple, const ChainFit& rich, int num_extra) {
  constexpr double kLeastFreedom = 10.0;
  if (rich.num_observations != simple.num_observations || !(rich.freedom >= kLeastFreedom) ||
      !(rich.sum_of_squares < simple.sum_of_squares)) {
    return {};
  }
  const double gain = simple.sum_of_squares - rich.sum_of_squares;
  const double f = gain / num_extra / std::max(rich.sum_of_squares / rich.freedom, 1e-300);
  return {.share_px = std::sqrt(gain / simple.num_observations),
          .p_value = f_tail(f, num_extra, rich.freedom)};
}

LensTrials try_lenses(const Shot& shot,
                      std::span<const char> chain,
                      const Scene& start,
                      const LensKnowledge& known) {
  const bool focal_known = known.focal;
  LensTrials trials;
  trials.num_tried = static_cast<int>(std::count(chain.begin(), chain.end(), 1));
  trials.num_frames = shot.num_frames;
  Scene plain = start;
  plain.intrinsics.tail<2>().setZero();
  const std::array<const Scene*, 1> from_start{&plain};
  trials.as_given = fit_chain(shot, chain, from_start, !focal_known, 0);
  const std::array<const Scene*, 1> from_given{&trials.as_given.scene};
  trials.focal_free = focal_known ? fit_chain(shot, chain, from_given, true, 0) : trials.as_given;
  // One radial term, then the second if it is called for.
  const ChainFit one_term = fit_chain(shot, chain, from_given, !focal_known, 1);
  const std::array<const Scene*, 1> from_one{&one_term.scene};
  trials.lens_free = fit_chain(shot, chain, from_one, !focal_known, 2);
  constexpr double kSecondTerm = 1e-3;
  if (improvement(one_term, trials.lens_free, 1).p_value > kSecondTerm) {
    trials.lens_free = one_term;
    trials.num_radial = 1;
  }
  const std::array<const Scene*, 2> from_both{&trials.lens_free.scene, &trials.focal_free.scene};
  trials.all_free =
      focal_known ? fit_chain(shot, chain, from_both, true, trials.num_radial) : trials.lens_free;
  trials.by_lens = improvement(trials.as_given, trials.lens_free, trials.num_radial);
  if (focal_known) {
    trials.by_focal = improvement(trials.as_given, trials.focal_free, 1);
    trials.by_lens_after_focal = improvement(trials.focal_free, trials.all_free, trials.num_radial);
    trials.by_focal_after_lens = improvement(trials.lens_free, trials.all_free, 1);
    trials.by_both = improvement(trials.as_given, trials.all_free, trials.num_radial + 1);
    trials.focal_sigma = known.distortion
                             ? focal_sigma(shot, chain, trials.focal_free, 0)
                             : focal_sigma(shot, chain, trials.all_free, trials.num_radial);
  }
  return trials;
}

}  // namespace trueplate::plate::detail
