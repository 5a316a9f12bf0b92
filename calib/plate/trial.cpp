#include "calib/plate/trial.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/plate/detail/faults.h"
#include "calib/plate/detail/final_solve.h"
#include "calib/plate/detail/first_scene.h"
#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/detail/motion.h"
#include "calib/plate/detail/selection.h"
#include "calib/plate/detail/shot.h"
#include "calib/plate/detail/verdict.h"

namespace trueplate::plate {
namespace {

using namespace detail;

constexpr int kMostChainFrames = 32;

Result<void> check(const Tracks& tracks, const TrialOptions& options) {
  if (tracks.points.empty()) return fail(ErrorCode::kInvalidInput, "there are no tracks");
  const auto positive = [](double value) { return std::isfinite(value) && value > 0.0; };
  if ((options.focal_px && !positive(*options.focal_px)) || !positive(options.focal_ratio)) {
    return fail(ErrorCode::kInvalidInput, "focal length and its ratio have to be above zero");
  }
  if (options.focal_px && options.lens) {
    return fail(ErrorCode::kInvalidInput,
                "a focal length and a profile are given, wanted one: the profile has its own");
  }
  if (!options.keyframes) return {};
  const int count = static_cast<int>(tracks.frames.size());
  for (const int frame : *options.keyframes) {
    if (frame < 0 || frame >= count) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("keyframe {} does not exist, there are {} frames", frame, count));
    }
  }
  if ((*options.keyframes)[0] == (*options.keyframes)[1]) {
    return fail(ErrorCode::kInvalidInput, "the two keyframes are one, wanted two");
  }
  return {};
}

/// Tracks of another plate, or of this one in another size, would be solved to nonsense.
Result<void> check_on_plate(const Tracks& tracks, ImageSize size) {
  const Point2d limit(size.width, size.height);
  const auto is_outside = [&limit](const TrackPoint& point) {
    return (point.p_px.array() < 0.0).any() || (point.p_px.array() > limit.array()).any();
  };
  const auto num_outside = std::count_if(tracks.points.begin(), tracks.points.end(), is_outside);
  const auto num_points = static_cast<std::ptrdiff_t>(tracks.points.size());
  if (num_outside * 2 <= num_points) return {};
  const Point2d& first = std::find_if(tracks.points.begin(), tracks.points.end(), is_outside)->p_px;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{} of {} points lie outside the {}x{} plate (the first at {:.1f}, "
                          "{:.1f}), wanted most of them on it; are these its tracks, counted in "
                          "its pixels from its top left corner? check '# image:' and --size",
                          num_outside,
                          num_points,
                          size.width,
                          size.height,
                          first.x(),
                          first.y()));
}

Result<Setup> set_up(const Tracks& tracks, const TrialOptions& options) {
  if (Result<void> checked = check(tracks, options); !checked) return fail(checked.error());
  Setup setup;
  setup.plate_size = tracks.plate_size;
  setup.focal_ratio = options.focal_ratio;
  setup.focal_px = options.focal_px;
  setup.has_profile = options.lens.has_value();
  if (setup.plate_size.width <= 0 && options.lens) setup.plate_size = options.lens->plate_size;
  if (setup.plate_size.width <= 0) {
    return fail(ErrorCode::kInvalidInput,
                "the tracks do not say the plate's size, wanted a line '# image: WIDTHxHEIGHT' "
                "before the header row, or --size WIDTHxHEIGHT");
  }
  if (Result<void> on_plate = check_on_plate(tracks, setup.plate_size); !on_plate) {
    return fail(on_plate.error());
  }
  if (!options.lens) {
    setup.plain = shot_of(tracks, setup.plate_size, setup.focal_ratio);
    setup.base = setup.plain;
    return setup;
  }
  Result<lens::Lens> lens = lens::for_picture_of(*options.lens, setup.plate_size);
  if (!lens) return fail(lens.error());
  setup.focal_px = lens->focal_px.x();
  setup.focal_ratio = lens->focal_px.y() / lens->focal_px.x();
  setup.plain = shot_of(tracks, setup.plate_size, setup.focal_ratio);
  setup.base = straightened_shot(tracks, *lens);
  setup.plain.used = setup.base.used;
  return setup;
}

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

void note_unsolved(const Scene& scene, Trial& trial) {
  for (std::size_t f = 0; f < scene.poses.size(); ++f) {
    if (!scene.poses[f]) trial.unsolved_frames.push_back(static_cast<int>(f));
  }
  for (std::size_t t = 0; t < scene.points.size(); ++t) {
    if (!scene.points[t]) trial.unsolved_tracks.push_back(static_cast<int>(t));
  }
}

void add_warnings(const Tracks& tracks, Trial& trial) {
  if (!trial.unsolved_frames.empty()) {
    trial.warnings.push_back(
        {"frames-unsolved",
         fmt::format("{} of {} frames see too few known points and have no camera (first: {})",
                     trial.unsolved_frames.size(),
                     tracks.frames.size(),
                     tracks.frames[static_cast<std::size_t>(trial.unsolved_frames.front())]),
         static_cast<double>(trial.unsolved_frames.size())});
  }
  // Those that are off are told as such.
  std::vector<int> open = trial.unsolved_tracks;
  std::erase_if(open, [&trial](int track) {
    return std::any_of(trial.faults.begin(), trial.faults.end(), [track](const TrackFault& fault) {
      return fault.track == track;
    });
  });
  if (!open.empty()) {
    trial.warnings.push_back(
        {"tracks-unsolved",
         fmt::format("{} of {} tracks are seen too rarely, or with too little parallax, to have a "
                     "place: {}",
                     open.size(),
                     tracks.names.size(),
                     listed_tracks(tracks, open)),
         static_cast<double>(open.size())});
  }
}

/// All frames with each lens, side by side.
void solve_all(const Setup& setup,
               const TrialOptions& options,
               std::span<const char> chain,
               const LensTrials& trials,
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
                   .free_focal = focal_free,
                   .num_radial = options.lens ? 2 : trials.num_radial,
                   .radial_by_focal = trials.all_free.scene.intrinsics.tail<2>() -
                                      trials.lens_free.scene.intrinsics.tail<2>()});
  trial.solves.resize(plans.size());
  parallel_rows(static_cast<int>(plans.size()), options.threads, [&](int begin, int end) {
    for (int i = begin; i < end; ++i) {
      const auto at = static_cast<std::size_t>(i);
      FinalResult result = solve_fully(plans[at], chain);
      trial.solves[at] = std::move(result.solve);
      // One thread has the last plan.
      if (plans[at].lens_use == LensUse::kFree) trial.lens = std::move(result.lens);
    }
  });
}

bool has_cause(const Trial& trial, Cause cause) {
  return std::any_of(trial.findings.begin(), trial.findings.end(), [cause](const Finding& f) {
    return f.cause == cause;
  });
}

/// A lens that goes with a wrong focal length, or with a shot that leaves it open, is none.
void doubt_lens(Trial& trial) {
  const auto found = [&trial](Cause cause) { return has_cause(trial, cause); };
  if (found(Cause::kWrongFocal)) {
    trial.lens.determined = false;
    trial.lens.words =
        "The lens was fitted with a focal length that does not fit; leave it open for a lens from "
        "these tracks.";
  } else if (found(Cause::kOnePlane) || found(Cause::kLittleParallax) ||
             found(Cause::kTooFewCommon)) {
    trial.lens.determined = false;
    trial.lens.words = "The shot leaves the lens open: see the verdict.";
  }
}

Trial without_solve(Trial trial, Finding finding, const std::optional<Finding>& also = {}) {
  trial.findings = {std::move(finding)};
  if (also) trial.findings.push_back(*also);
  return trial;
}

/// Puts what the shot lacks before what its errors say.
void add_lacking(std::optional<Finding> lacking, std::vector<Finding>& findings) {
  if (!lacking) return;
  if (findings.front().cause == Cause::kGood) findings.clear();
  findings.insert(findings.begin(), std::move(*lacking));
}

/// Frames without a camera: many are the verdict, few a remark, but no shot is good with any.
void add_broken_chain(const Tracks& tracks, Trial& trial) {
  std::optional<Finding> broken = broken_chain(tracks, trial);
  if (!broken) return;
  const double share =
      static_cast<double>(trial.unsolved_frames.size()) / static_cast<double>(tracks.frames.size());
  if (share > kMostUnsolved || trial.findings.front().cause == Cause::kGood) {
    add_lacking(std::move(broken), trial.findings);
  } else {
    trial.findings.push_back(std::move(*broken));
  }
}

}  // namespace

std::string_view name_of(LensUse lens) {
  constexpr std::array<std::string_view, 3> kNames{"no lens", "profile", "lens free"};
  return kNames[static_cast<std::size_t>(lens)];
}

std::string_view name_of(Band band) {
  constexpr std::array<std::string_view, 3> kNames{"aim", "suspect", "bad"};
  return kNames[static_cast<std::size_t>(band)];
}

std::string_view name_of(Cause cause) {
  constexpr std::array<std::string_view, 9> kNames{"good",
                                                   "markers-off",
                                                   "slipped-track",
                                                   "lens",
                                                   "wrong-focal",
                                                   "little-parallax",
                                                   "one-plane",
                                                   "pure-rotation",
                                                   "too-few-common"};
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

Result<Trial> try_solve(const Tracks& tracks, const TrialOptions& options) {
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
  const LensTrials trials = try_lenses(setup.base, mask, from, setup.focal_px.has_value());
  solve_all(setup, options, mask, trials, trial);
  trial.lens.p_value = trials.by_lens.p_value;
  for (const TrackFault& fault : trial.faults) {
    trial.num_left_out += static_cast<int>(fault.frames.size());
  }
  add_warnings(tracks, trial);
  trial.findings = error_findings(tracks, trial, trials, scale);
  if (motion.beside && !has_cause(trial, motion.beside->cause)) {
    trial.findings.push_back(*motion.beside);
  }
  add_lacking(motion.lacking, trial.findings);
  add_broken_chain(tracks, trial);
  doubt_lens(trial);
  return trial;
}

}  // namespace trueplate::plate
