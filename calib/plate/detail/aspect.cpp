#include "calib/plate/detail/aspect.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/plate/detail/first_scene.h"
#include "calib/plate/detail/motion_findings.h"
#include "calib/plate/detail/set_up.h"

namespace trueplate::plate::detail {
namespace {

/// Squeezes of lenses and pixel aspects of video in use (common practice, no source).
constexpr std::array kRatios{1.0, 1.25, 4.0 / 3.0, 1.5, 1.65, 1.8, 2.0, 0.5};
constexpr int kMostFrames = 8;
/// A trial this far from what was given is looked at.
constexpr double kMuchOff = 0.2;
constexpr double kManyFaults = 0.1;  // of the tracks
/// What the right ratio leaves at most: of the noise of pairs, before more is tried, and of the
/// noise of a scene, or of what a turn leaves.
constexpr double kPairsLeft = 0.6;
constexpr double kLeft = 0.5;
/// Ratios whose pairs are noisier than those of the best by no more are as likely.
constexpr double kAsWell = 1.15;

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
  double pair_noise_px = HUGE_VAL;               // about the epipolar geometry of the best pairs
  PairMotion stillest{.rotation_px = HUGE_VAL};  // with the focal length that leaves least
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
    if (view.motion.rotation_px < look.stillest.rotation_px) look.stillest = view.motion;
  }
  return look;
}

/// With the ratio as given, and with the others.
struct Looks {
  Look given;
  std::vector<Look> others;

  template <class Figure>
  [[nodiscard]] const Look& least(const Figure& figure) const {
    return *std::min_element(others.begin(), others.end(), [&](const Look& a, const Look& b) {
      return figure(a) < figure(b);
    });
  }
};

std::optional<Looks> look_around(const Tracks& tracks, const TrialOptions& options) {
  std::optional<Look> given = look_with(tracks, options, options.focal_ratio);
  if (!given) return std::nullopt;
  Looks looks{*std::move(given), {}};
  for (const double ratio : kRatios) {
    if (std::abs(ratio / options.focal_ratio - 1.0) < 0.01) continue;
    if (std::optional<Look> look = look_with(tracks, options, ratio)) {
      looks.others.push_back(*std::move(look));
    }
  }
  return looks.others.empty() ? std::nullopt : std::optional(std::move(looks));
}

/// The noise of the points about the best scene of those frames; infinite where nothing starts.
double scene_noise_px(const Look& look) {
  const std::optional<Start> start = best_start(look.setup, look.chain, look.views);
  return start ? robust_sigma_px(look.setup.base, start->scene) : HUGE_VAL;
}

/// "2 (or 1.8)": the ratio, and those as likely.
std::string ratios_text(const Looks& looks, const Look& best) {
  std::string others;
  for (const Look& look : looks.others) {
    if (&look == &best || look.pair_noise_px > kAsWell * best.pair_noise_px) continue;
    others += fmt::format("{}{:.3g}", others.empty() ? "" : ", ", look.ratio);
  }
  return fmt::format("{:.3g}{}", best.ratio, others.empty() ? "" : " (or " + others + ")");
}

Finding finding_of(const TrialOptions& options,
                   const std::string& ratios,
                   const Look& best,
                   double share_px,
                   const std::string& fall) {
  return {
      Cause::kPixelAspect,
      share_px,
      fmt::format("The pixels are not {}: with a pixel aspect (or squeeze of the lens) of {} {}. "
                  "Give --pixel-aspect {:.3g} and solve again before touching a marker.",
                  options.focal_ratio == 1.0
                      ? "square"
                      : fmt::format("{:.3g} times as wide as high", options.focal_ratio),
                  ratios,
                  fall,
                  best.ratio)};
}

/// A turn seen through other pixels than are told looks like a plane that the camera moves along:
/// nothing is solved then.
bool is_turn(const Tracks& tracks, const TrialOptions& options, const Looks& looks, Trial& trial) {
  const Look& best = looks.least([](const Look& look) { return look.stillest.rotation_px; });
  const double before_px = looks.given.stillest.rotation_px;
  const double after_px = best.stillest.rotation_px;
  if (!(after_px < kLeft * before_px)) return false;
  std::optional<Finding> turn = motion_finding(tracks, best.stillest, best.setup.base.scale());
  if (!turn || (turn->cause != Cause::kPureRotation && turn->or_cause != Cause::kPureRotation)) {
    return false;
  }
  const std::string fall =
      fmt::format("a turn of the camera explains the motion but for {:.2f} instead of {:.2f} px",
                  after_px,
                  before_px);
  trial.findings = {finding_of(options, fmt::format("{:.3g}", best.ratio), best, 0.0, fall),
                    *std::move(turn)};
  trial.solves.clear();
  trial.faults.clear();
  trial.num_left_out = 0;
  trial.lens = {};
  return true;
}

bool lacks_motion(const Trial& trial) {
  return std::any_of(trial.findings.begin(), trial.findings.end(), [](const Finding& finding) {
    return finding.cause == Cause::kOnePlane || finding.cause == Cause::kLittleParallax;
  });
}

}  // namespace

void try_aspects(const Tracks& tracks, const TrialOptions& options, Trial& trial) {
  if (options.lens || trial.findings.front().cause == Cause::kTooFewCommon) return;
  const bool puzzles = is_puzzling(tracks, options, trial);
  if (!puzzles && !lacks_motion(trial)) return;
  const std::optional<Looks> looks = look_around(tracks, options);
  if (!looks || (lacks_motion(trial) && is_turn(tracks, options, *looks, trial)) || !puzzles)
    return;
  const Look& best = looks->least([](const Look& look) { return look.pair_noise_px; });
  if (!(best.pair_noise_px < kPairsLeft * looks->given.pair_noise_px)) return;
  const double before_px = scene_noise_px(looks->given);
  const double least_px = scene_noise_px(best);
  // Nothing that starts is no proof that something was wrong before.
  const double aim_px = kAimPx * trial.plate_size.width / kBandWidthPx;
  if (!(least_px < kLeft * before_px && least_px < aim_px)) return;
  const bool had_scene = std::isfinite(before_px);
  const std::string fall =
      had_scene ? fmt::format(
                      "the noise of the points falls from {:.2f} to {:.2f} px", before_px, least_px)
                : fmt::format("the tracks fit a static scene, with noise of {:.2f} px", least_px);
  Finding finding =
      finding_of(options,
                 ratios_text(*looks, best),
                 best,
                 had_scene ? std::sqrt(2.0 * (before_px * before_px - least_px * least_px)) : 0.0,
                 fall);
  finding.words += " What else is said here rests on the wrong shape.";
  trial.findings.insert(trial.findings.begin(), std::move(finding));
}

}  // namespace trueplate::plate::detail
