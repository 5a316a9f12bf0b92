#include "calib/plate/detail/aspect.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <utility>
#include <vector>

#include "calib/plate/detail/first_scene.h"
#include "calib/plate/detail/set_up.h"

namespace trueplate::plate::detail {
namespace {

/// Squeezes of lenses and pixel aspects of video in use (common practice, no source).
constexpr std::array kRatios{1.0, 1.25, 4.0 / 3.0, 1.5, 1.65, 1.8, 2.0, 0.5};
constexpr int kMostFrames = 16;
/// A trial this far from what was given is looked at.
constexpr double kMuchOff = 0.2;
constexpr double kManyFaults = 0.1;  // of the tracks
/// What the right ratio leaves of the noise, at most.
constexpr double kLeft = 0.5;

/// What looks like everything at once.
bool is_puzzling(const Tracks& tracks, const TrialOptions& options, const Trial& trial) {
  const CameraSolve* solve = trial.as_given();
  if (solve == nullptr) return trial.findings.front().cause == Cause::kMarkersOff;
  const double scale = trial.plate_size.width / kBandWidthPx;
  if (solve->used.rms_px > kAimPx * scale) return true;
  const auto num_tracks = static_cast<double>(tracks.names.size());
  if (static_cast<double>(trial.faults.size()) > kManyFaults * num_tracks) return true;
  const CameraSolve* free = trial.find(LensUse::kAllFree);
  return options.focal_px && free != nullptr &&
         std::abs(free->lens.focal_px.x() / *options.focal_px - 1.0) > kMuchOff;
}

/// A shot with one ratio, as far as it is looked at.
struct Look {
  double ratio = 1.0;
  Setup setup;
  std::vector<int> chain;
  std::vector<View> views;
  double pair_noise_px = HUGE_VAL;  // about the epipolar geometry of the best pairs
};

std::optional<Look> look_with(const Tracks& tracks, TrialOptions options, double ratio) {
  options.focal_ratio = ratio;
  Result<Setup> setup = set_up(tracks, options);
  if (!setup) return std::nullopt;
  Look look{.ratio = ratio, .setup = *std::move(setup), .chain = {}, .views = {}};
  look.chain = chain_of_frames(look.setup.base, kMostFrames);
  look.views = look_at_pairs(look.setup, look.chain, options.keyframes);
  for (const View& view : look.views) {
    if (view.motion.num_pairs == 0) continue;
    look.pair_noise_px = std::min(look.pair_noise_px, view.motion.noise_px);
  }
  return look;
}

/// The noise of the points about the best scene of those frames; infinite where nothing starts.
double scene_noise_px(const Look& look) {
  const std::optional<Start> start = best_start(look.setup, look.chain, look.views);
  return start ? robust_sigma_px(look.setup.base, start->scene) : HUGE_VAL;
}

}  // namespace

void try_aspects(const Tracks& tracks, const TrialOptions& options, Trial& trial) {
  if (options.lens || !is_puzzling(tracks, options, trial)) return;
  const std::optional<Look> as_given = look_with(tracks, options, options.focal_ratio);
  std::optional<Look> best;
  for (const double ratio : kRatios) {
    if (std::abs(ratio / options.focal_ratio - 1.0) < 0.01) continue;
    std::optional<Look> look = look_with(tracks, options, ratio);
    if (!look || (best && best->pair_noise_px <= look->pair_noise_px)) continue;
    best = std::move(look);
  }
  if (!as_given || !best || !(best->pair_noise_px < as_given->pair_noise_px)) return;
  const double before_px = scene_noise_px(*as_given);
  const double least_px = scene_noise_px(*best);
  if (!(least_px < kLeft * before_px)) return;
  // Nothing that starts is no proof that something was wrong before.
  if (!(least_px < kAimPx * trial.plate_size.width / kBandWidthPx)) return;
  const std::string fall =
      std::isfinite(before_px)
          ? fmt::format(
                "the noise of the points falls from {:.2f} to {:.2f} px", before_px, least_px)
          : fmt::format("the tracks fit a static scene, with noise of {:.2f} px", least_px);
  trial.findings.insert(
      trial.findings.begin(),
      {Cause::kPixelAspect,
       std::isfinite(before_px) ? std::sqrt(2.0 * (before_px * before_px - least_px * least_px))
                                : 0.0,
       fmt::format("The pixels are not {}: with a pixel aspect (or squeeze of the lens) of {:.3g} "
                   "{}. Give --pixel-aspect {:.3g} and solve again before touching a marker; what "
                   "else is said here rests on the wrong shape.",
                   options.focal_ratio == 1.0
                       ? "square"
                       : fmt::format("{:.3g} times as wide as high", options.focal_ratio),
                   best->ratio,
                   fall,
                   best->ratio)});
}

}  // namespace trueplate::plate::detail
