#include "calib/plate/trial.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/faults.h"
#include "calib/plate/detail/final_solve.h"
#include "calib/plate/detail/grow.h"
#include "calib/plate/detail/lens_trials.h"
#include "calib/plate/detail/motion.h"
#include "calib/plate/detail/shot.h"
#include "calib/plate/detail/verdict.h"

namespace trueplate::plate {
namespace {

using namespace detail;

constexpr int kMostChainFrames = 32;

/// Focal length over plate width, tried where nothing is known: from wide to long lenses.
constexpr std::array kFocalGuesses{0.6, 0.9, 1.3, 1.9, 2.8};

struct Setup {
  ImageSize plate_size;
  double focal_ratio = 1.0;
  std::optional<double> focal_px;
  Shot plain;  // as tracked
  Shot base;   // straightened, if there is a profile
};

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

Result<Setup> set_up(const Tracks& tracks, const TrialOptions& options) {
  if (Result<void> checked = check(tracks, options); !checked) return fail(checked.error());
  Setup setup;
  setup.plate_size = tracks.plate_size;
  setup.focal_ratio = options.focal_ratio;
  setup.focal_px = options.focal_px;
  if (setup.plate_size.width <= 0 && options.lens) setup.plate_size = options.lens->plate_size;
  if (setup.plate_size.width <= 0) {
    return fail(ErrorCode::kInvalidInput,
                "the tracks do not say the plate's size, wanted a line '# image: WIDTHxHEIGHT' "
                "before the header row, or --size WIDTHxHEIGHT");
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

Eigen::Vector3d pinhole(double focal_px) { return {std::log(focal_px), 0.0, 0.0}; }

std::vector<Eigen::Vector3d> first_intrinsics(const Setup& setup) {
  if (setup.focal_px) return {pinhole(*setup.focal_px)};
  std::vector<Eigen::Vector3d> guesses;
  for (const double guess : kFocalGuesses) {
    guesses.push_back(pinhole(guess * setup.plate_size.width));
  }
  return guesses;
}

/// What the pairs of frames show with one focal length.
struct View {
  Eigen::Vector3d intrinsics = Eigen::Vector3d::Zero();
  std::vector<PairMotion> pairs;
  PairMotion motion;
};

std::vector<View> look_at_pairs(const Setup& setup,
                                std::span<const int> chain,
                                const TrialOptions& options) {
  std::vector<View> views;
  for (const Eigen::Vector3d& intrinsics : first_intrinsics(setup)) {
    View view{intrinsics, {}, {}};
    if (options.keyframes) {
      view.pairs = pair_motions(setup.base, intrinsics, *options.keyframes);
    } else {
      view.pairs = pair_motions(setup.base, intrinsics, chain);
    }
    view.motion = measure_scene_motion(setup.base, intrinsics, view.pairs);
    views.push_back(std::move(view));
  }
  return views;
}

/// The motion by the focal length that needs least of it: a wrong one looks like parallax.
PairMotion least_motion(const std::vector<View>& views) {
  PairMotion motion = views.front().motion;
  for (const View& view : views) {
    if (view.motion.rotation_px < motion.rotation_px) motion = view.motion;
  }
  for (const View& view : views) motion.noise_px = std::min(motion.noise_px, view.motion.noise_px);
  return motion;
}

struct Start {
  Scene scene;
  PairMotion pair;
};

/// Grows scenes from several pairs, focal lengths and with the lens free, and takes the best.
std::optional<Start> best_start(const Setup& setup,
                                std::span<const int> chain,
                                const std::vector<View>& views) {
  constexpr std::size_t kMostPairs = 3;
  // Mean of ln(1 + r^2) in pixels: an average error of about a third of a pixel.
  constexpr double kGoodCost = 0.1;
  std::optional<Start> best;
  double best_cost = std::numeric_limits<double>::infinity();
  for (std::size_t rank = 0; rank < kMostPairs && best_cost > kGoodCost; ++rank) {
    for (const int num_radial : {0, 1}) {
      for (const View& view : views) {
        if (rank >= view.pairs.size() || best_cost <= kGoodCost) continue;
        const PairMotion& pair = view.pairs[rank];
        std::optional<Scene> scene =
            grow_scene(setup.base,
                       chain,
                       pair.frame_a,
                       pair.frame_b,
                       view.intrinsics,
                       {.free_focal = !setup.focal_px, .num_radial = num_radial});
        if (!scene) continue;
        const double cost = scene_cost(setup.base, chain, *scene);
        if (cost < best_cost) {
          best_cost = cost;
          best = Start{std::move(*scene), pair};
        }
      }
    }
  }
  return best;
}

std::vector<char> mask_of(std::span<const int> frames, int num_frames) {
  std::vector<char> mask(static_cast<std::size_t>(num_frames), 0);
  for (const int frame : frames) mask[static_cast<std::size_t>(frame)] = 1;
  return mask;
}

/// The scene with everything free, over all frames: what does not fit it is no fault of the lens.
Scene freest_scene(const Setup& setup, std::span<const char> chain, const Scene& start) {
  Scene scene = start;
  // Two or three frames would bend to anything.
  constexpr std::ptrdiff_t kEnoughFrames = 4;
  const bool free = std::count(chain.begin(), chain.end(), 1) >= kEnoughFrames;
  for (int round = 0; round < 2; ++round) {
    bundle(setup.base,
           {.free_focal = free || !setup.focal_px,
            .num_radial = free ? 2 : 0,
            .cauchy_px = cauchy_scale_px(setup.base, scene),
            .frames = chain},
           scene);
  }
  extend_scene(setup.base, scene);
  return scene;
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
  if (!trial.unsolved_tracks.empty()) {
    trial.warnings.push_back(
        {"tracks-unsolved",
         fmt::format("{} of {} tracks are seen too rarely, or with too little parallax, to have a "
                     "place",
                     trial.unsolved_tracks.size(),
                     tracks.names.size()),
         static_cast<double>(trial.unsolved_tracks.size())});
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
                   .num_radial = options.lens ? 2 : trials.num_radial});
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

/// A lens that goes with a wrong focal length, or with a shot that leaves it open, is none.
void doubt_lens(Trial& trial) {
  const auto found = [&trial](Cause cause) {
    return std::any_of(trial.findings.begin(), trial.findings.end(), [cause](const Finding& f) {
      return f.cause == cause;
    });
  };
  if (found(Cause::kWrongFocal)) {
    trial.lens.determined = false;
    trial.lens.words =
        "The lens was fitted with a focal length that does not fit; leave it open for a lens from "
        "these tracks.";
  } else if (found(Cause::kOnePlane) || found(Cause::kLittleParallax)) {
    trial.lens.determined = false;
    trial.lens.words = "The shot leaves the lens open: see the verdict.";
  }
}

Trial without_solve(Trial trial, Finding finding) {
  trial.findings = {std::move(finding)};
  return trial;
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
  const std::vector<View> views = look_at_pairs(setup, chain, options);
  if (views.front().pairs.empty()) {
    PairMotion best = best_shared_pair(setup.base);
    if (options.keyframes) {
      best.frame_a = (*options.keyframes)[0];
      best.frame_b = (*options.keyframes)[1];
      best.num_common = num_common_tracks(tracks, best.frame_a, best.frame_b);
    }
    return without_solve(std::move(trial), too_few_common(tracks, best));
  }
  const PairMotion motion = least_motion(views);
  trial.keyframes = {motion.frame_a, motion.frame_b};
  trial.num_common = motion.num_common;
  trial.parallax_px = motion.rotation_px;
  trial.noise_px = motion.noise_px;
  const std::optional<Finding> lacking = motion_finding(tracks, motion, scale);
  if (lacking && lacking->cause == Cause::kPureRotation) {
    return without_solve(std::move(trial), *lacking);
  }

  const std::optional<Start> start = best_start(setup, chain, views);
  if (!start) {
    return without_solve(std::move(trial),
                         lacking.value_or(Finding{
                             Cause::kMarkersOff,
                             0.0,
                             "The tracks fit no static scene: no pair of frames starts a solve. "
                             "Most of them are off, or belong to things that move."}));
  }
  trial.keyframes = {start->pair.frame_a, start->pair.frame_b};
  trial.num_common = start->pair.num_common;
  const std::vector<char> mask = mask_of(chain, setup.base.num_frames);
  const Scene freest = freest_scene(setup, mask, start->scene);
  trial.noise_px = robust_sigma_px(setup.base, freest);
  trial.faults = take_out_faults(freest, setup.base);
  setup.plain.used = setup.base.used;
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
  if (lacking) {
    if (trial.findings.front().cause == Cause::kGood) trial.findings.clear();
    trial.findings.insert(trial.findings.begin(), *lacking);
  }
  doubt_lens(trial);
  return trial;
}

}  // namespace trueplate::plate
