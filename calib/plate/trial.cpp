#include "calib/plate/trial.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/plate/detail/aspect.h"
#include "calib/plate/detail/camera_findings.h"
#include "calib/plate/detail/common_findings.h"
#include "calib/plate/detail/conclusions.h"
#include "calib/plate/detail/faults.h"
#include "calib/plate/detail/final_solve.h"
#include "calib/plate/detail/first_scene.h"
#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/detail/motion.h"
#include "calib/plate/detail/motion_findings.h"
#include "calib/plate/detail/selection.h"
#include "calib/plate/detail/set_up.h"
#include "calib/plate/detail/shot.h"

namespace trueplate::plate {
namespace {

using namespace detail;

constexpr int kMostChainFrames = 32;

std::vector<char> mask_of(std::span<const int> frames, int num_frames) {
  std::vector<char> mask(static_cast<std::size_t>(num_frames), 0);
  for (const int frame : frames) mask[static_cast<std::size_t>(frame)] = 1;
  return mask;
}

/// The freest scene of the shot as it is straightened or, where the profile is another lens's and
/// that fits better, as it was tracked; takes out the points that do not go with it.
Scene without_faults(Setup& setup, std::span<const char> mask, const Scene& start, Trial& trial) {
  Scene scene = freest_scene(setup, setup.base, mask, start);
  double sigma_px = robust_sigma_px(setup.base, scene);
  Shot* judge = &setup.base;
  if (setup.has_profile) {
    Scene plain = freest_scene(setup, setup.plain, mask, start);
    const double plain_px = robust_sigma_px(setup.plain, plain);
    constexpr double kBetter = 0.8;
    if (plain_px < kBetter * sigma_px) {
      scene = std::move(plain);
      sigma_px = plain_px;
      judge = &setup.plain;
    }
  }
  const Selection selection = select(*judge, {}, scene);
  const double equations = 2.0 * static_cast<double>(selection.observations.size());
  trial.noise_px = sigma_px * std::sqrt(equations / std::max(1.0, freedom(selection, 3)));
  trial.faults = take_out_faults(scene, *judge);
  Shot& other = judge == &setup.base ? setup.plain : setup.base;
  for (std::size_t i = 0; i < other.used.size(); ++i) {
    if (judge->used[i] == 0) other.used[i] = 0;
  }
  return scene;
}

/// With the noise of the whole shot: that of a pair with few tracks is often found too small.
std::optional<Finding> turn_after_all(const Tracks& tracks,
                                      const Setup& setup,
                                      const Trial& trial,
                                      PairMotion pair) {
  pair.noise_px = std::max(pair.noise_px, trial.noise_px);
  std::optional<Finding> finding = motion_finding(tracks, pair, setup.base.scale());
  return finding && finding->cause == Cause::kPureRotation ? finding : std::nullopt;
}

/// All frames with each lens, side by side.
void solve_all(const Setup& setup,
               const TrialOptions& options,
               std::span<const char> chain,
               const LensTrials& trials,
               double scale,
               Trial& trial) {
  const bool focal_free = !setup.focal_px;
  std::vector<FinalSolve> plans;
  plans.push_back({.lens_use = LensUse::kNone,
                   .shot = &setup.plain,
                   .start = &trials.as_given.scene,
                   .free_focal = focal_free});
  if (options.lens) {
    plans.push_back({.lens_use = LensUse::kProfile,
                     .shot = &setup.base,
                     .start = &trials.as_given.scene,
                     .profile = &*options.lens,
                     .free_focal = focal_free});
  }
  plans.push_back({.lens_use = LensUse::kFree,
                   .shot = &setup.plain,
                   .start = options.lens ? &trials.as_given.scene : &trials.lens_free.scene,
                   .beside_profile = options.lens.has_value(),
                   .free_focal = focal_free,
                   .num_radial = options.lens ? 2 : trials.num_radial,
                   .radial_by_focal = trials.all_free.scene.intrinsics.tail<2>() -
                                      trials.lens_free.scene.intrinsics.tail<2>()});
  if (doubts_focal(trials, scale)) {
    FinalSolve all_free = plans.back();
    all_free.lens_use = LensUse::kAllFree;
    all_free.start = &trials.all_free.scene;
    all_free.free_focal = true;
    plans.push_back(all_free);
  }
  trial.solves.resize(plans.size());
  parallel_rows(static_cast<int>(plans.size()), options.threads, [&](int begin, int end) {
    for (int i = begin; i < end; ++i) {
      const auto at = static_cast<std::size_t>(i);
      FinalResult result = solve_fully(plans[at], chain);
      trial.solves[at] = std::move(result.solve);
      // One thread has that plan.
      if (plans[at].lens_use == LensUse::kFree) trial.lens = std::move(result.lens);
    }
  });
}

/// What seemed the focal length's may be the lens's after all.
void drop_needless(Trial& trial) {
  const bool wanted =
      std::any_of(trial.findings.begin(), trial.findings.end(), [](const Finding& finding) {
        return finding.cause == Cause::kWrongFocal || finding.or_cause == Cause::kWrongFocal;
      });
  if (wanted) return;
  std::erase_if(trial.solves,
                [](const CameraSolve& solve) { return solve.lens_use == LensUse::kAllFree; });
}

Trial without_solve(Trial trial, Finding finding, const std::optional<Finding>& also = {}) {
  trial.findings = {std::move(finding)};
  if (also) trial.findings.push_back(*also);
  return trial;
}

}  // namespace

std::string_view name_of(LensUse lens) {
  constexpr std::array<std::string_view, 4> kNames{"no lens", "profile", "lens free", "all free"};
  return kNames[static_cast<std::size_t>(lens)];
}

std::string_view name_of(Band band) {
  constexpr std::array<std::string_view, 3> kNames{"aim", "suspect", "bad"};
  return kNames[static_cast<std::size_t>(band)];
}

std::string_view name_of(FaultKind kind) {
  constexpr std::array<std::string_view, 3> kNames{"off", "slipped", "drifts"};
  return kNames[static_cast<std::size_t>(kind)];
}

std::string_view name_of(Cause cause) {
  constexpr std::array<std::string_view, 10> kNames{"good",
                                                    "markers-off",
                                                    "slipped-track",
                                                    "lens",
                                                    "wrong-focal",
                                                    "little-parallax",
                                                    "one-plane",
                                                    "pure-rotation",
                                                    "too-few-common",
                                                    "pixel-aspect"};
  return kNames[static_cast<std::size_t>(cause)];
}

Band band_of(double rms_px, ImageSize plate_size) {
  const double scaled = rms_px * kBandWidthPx / plate_size.width;
  if (!(scaled <= kBadPx)) return Band::kBad;
  return scaled <= kAimPx ? Band::kAim : Band::kSuspect;
}

const CameraSolve* Trial::find(LensUse lens_use) const {
  for (const CameraSolve& solve : solves) {
    if (solve.lens_use == lens_use) return &solve;
  }
  return nullptr;
}

const CameraSolve* Trial::as_given() const {
  const CameraSolve* profile = find(LensUse::kProfile);
  return profile != nullptr ? profile : find(LensUse::kNone);
}

namespace {

Result<Trial> solve_once(const Tracks& tracks, const TrialOptions& options) {
  Result<Setup> made = set_up(tracks, options);
  if (!made) return fail(made.error());
  Setup& setup = *made;
  const double scale = setup.base.scale();
  Trial trial;
  trial.plate_size = setup.plate_size;
  trial.warnings = tracks.warnings;

  const std::vector<int> chain = chain_of_frames(setup.base, kMostChainFrames);
  const std::vector<View> views = look_at_pairs(setup, chain, options.keyframes);
  if (views.front().pairs.empty()) {
    const PairMotion best = best_shared_pair(setup.base);
    return without_solve(std::move(trial),
                         options.keyframes ? too_few_in_keyframes(tracks, *options.keyframes, best)
                                           : too_few_common(tracks, best));
  }
  const Motion motion = look_at_motion(tracks, setup, views);
  trial.keyframes = {motion.pair.frame_a, motion.pair.frame_b};
  trial.num_common = motion.pair.num_common;
  trial.parallax_px = motion.pair.rotation_px;
  trial.noise_px = motion.pair.noise_px;
  if (motion.lacking && motion.lacking->cause == Cause::kPureRotation) {
    return without_solve(std::move(trial), *motion.lacking, motion.beside);
  }

  const std::optional<Start> start = best_start(setup, chain, views);
  if (!start) {
    return without_solve(std::move(trial),
                         motion.lacking.value_or(Finding{
                             Cause::kMarkersOff,
                             0.0,
                             "The tracks fit no static scene: no pair of frames starts a solve. "
                             "Most of them are off, or belong to things that move."}));
  }
  const std::vector<char> mask = mask_of(chain, setup.base.num_frames);
  const Scene freest = without_faults(setup, mask, start->scene, trial);
  if (motion.lacking && motion.lacking->cause == Cause::kLittleParallax) {
    const std::optional<Finding> turn = turn_after_all(tracks, setup, trial, motion.pair);
    if (turn) {
      trial.faults.clear();
      return without_solve(std::move(trial), *turn, motion.beside);
    }
  }
  trial.keyframes = {start->pair.frame_a, start->pair.frame_b};
  trial.num_common = start->pair.num_common;
  trial.parallax_px = start->pair.rotation_px;
  note_unsolved(freest, trial);

  Scene from = start->scene;
  if (setup.focal_px) from.intrinsics = pinhole(*setup.focal_px);
  const LensTrials trials =
      try_lenses(setup.base,
                 mask,
                 from,
                 {.focal = setup.focal_px.has_value(), .distortion = setup.has_profile});
  solve_all(setup, options, mask, trials, scale, trial);
  trial.lens.p_value = trials.by_lens.p_value;
  for (const TrackFault& fault : trial.faults) {
    trial.num_left_out += static_cast<int>(fault.frames.size());
  }
  conclude(tracks, trials, motion.lacking, motion.beside, scale, trial);
  drop_needless(trial);
  return trial;
}

}  // namespace

Result<Trial> try_solve(const Tracks& tracks, const TrialOptions& options) {
  Result<Trial> trial = solve_once(tracks, options);
  if (trial) try_aspects(tracks, options, *trial);
  return trial;
}

}  // namespace trueplate::plate
