#include "calib/plate/detail/first_scene.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/grow.h"
#include "calib/plate/detail/lens_motion.h"
#include "calib/plate/detail/lens_trials.h"

namespace trueplate::plate::detail {
namespace {

/// Focal length over plate width, tried where nothing is known: from wide to long lenses.
constexpr std::array kFocalGuesses{0.6, 0.9, 1.3, 1.9, 2.8};

std::vector<Eigen::Vector3d> guessed_intrinsics(const Setup& setup) {
  std::vector<Eigen::Vector3d> guesses;
  for (const double guess : kFocalGuesses) {
    guesses.push_back(pinhole(guess * setup.plate_size.width));
  }
  return guesses;
}

/// The view by the focal length that needs least of a motion: a wrong one looks like parallax.
const View& stillest(const std::vector<View>& views) {
  return *std::min_element(views.begin(), views.end(), [](const View& a, const View& b) {
    return a.motion.rotation_px < b.motion.rotation_px;
  });
}

/// Grows scenes of one shot and keeps the best.
class Starts {
 public:
  Starts(const Setup& setup, std::span<const int> chain) : setup_(setup), chain_(chain) {}

  /// From the best pairs of the views, with and without a radial term, until one is good.
  void grow(const Shot& shot, const std::vector<View>& views, bool free_focal) {
    constexpr std::size_t kMostPairs = 3;
    for (std::size_t rank = 0; rank < kMostPairs && !good(); ++rank) {
      for (const int num_radial : {0, 1}) {
        for (const View& view : views) {
          if (rank >= view.pairs.size() || good()) continue;
          grow_from(shot, view.pairs[rank], view.intrinsics, {free_focal, num_radial});
        }
      }
    }
  }

  /// Whether what most points leave is more than a marker is off by.
  [[nodiscard]] bool hopeless() const {
    constexpr double kMostSigmaPx = 0.5;
    return best_ && sigma_px_ > kMostSigmaPx * setup_.base.scale();
  }
  [[nodiscard]] std::optional<Start> best() && { return std::move(best_); }

 private:
  // Mean of ln(1 + r^2) in pixels: an average error of about a third of a pixel.
  [[nodiscard]] bool good() const { return best_cost_ <= 0.1; }

  void grow_from(const Shot& shot,
                 const PairMotion& pair,
                 const Eigen::Vector3d& intrinsics,
                 const GrowOptions& options) {
    std::optional<Scene> scene =
        grow_scene(shot, chain_, pair.frame_a, pair.frame_b, intrinsics, options);
    if (!scene) return;
    const double cost = scene_cost(shot, chain_, *scene);
    if (!(cost < best_cost_)) return;
    best_cost_ = cost;
    sigma_px_ = robust_sigma_px(shot, *scene);
    best_ = Start{std::move(*scene), pair};
  }

  const Setup& setup_;
  std::span<const int> chain_;
  std::optional<Start> best_;
  double best_cost_ = std::numeric_limits<double>::infinity();
  double sigma_px_ = 0.0;
};

/// What looks like a plane with the focal length as given may be a turn with another.
void consider_turn(const Tracks& tracks,
                   const Shot& shot,
                   const View& view,
                   const PairMotion& motion,
                   bool free_lens,
                   Finding& finding) {
  if (finding.cause != Cause::kOnePlane) return;
  const std::optional<LensMotion> found = stillest_motion(
      shot, view.intrinsics, view.pairs, motion, {.free_focal = true, .free_lens = free_lens});
  if (!found) return;
  const std::optional<Finding> turn = motion_finding(tracks, found->motion, shot.scale());
  if (!turn || turn->cause != Cause::kPureRotation) return;
  finding.or_cause = Cause::kPureRotation;
  finding.words += fmt::format(
      " Or the camera only turns, and the focal length is {:.0f} px instead of the {:.0f} px "
      "given: that explains all but {:.2f} px as well.",
      std::exp(found->intrinsics(0)),
      std::exp(view.intrinsics(0)),
      found->motion.rotation_px);
}

/// The lens alone, or with it the focal length, may hide that a turn or a plane is all there is.
std::optional<Motion> behind_the_lens(const Tracks& tracks,
                                      const Shot& shot,
                                      const View& view,
                                      const PairMotion& motion,
                                      bool free_focal) {
  const double scale = shot.scale();
  for (const Still still : {Still::kByTurn, Still::kByPlane}) {
    const std::optional<LensMotion> found = stillest_motion(
        shot,
        view.intrinsics,
        view.pairs,
        motion,
        {.still = still, .free_focal = free_focal && still == Still::kByTurn, .free_lens = true});
    if (!found) continue;
    std::optional<Finding> lacking = motion_finding(tracks, found->motion, scale);
    if (!lacking) continue;
    if (!free_focal) consider_turn(tracks, shot, view, motion, true, *lacking);
    Motion result{found->motion, std::move(lacking), std::nullopt};
    const bool turn = still == Still::kByTurn;
    Finding lens = lens_by_motion(turn ? motion.rotation_px : motion.homography_px,
                                  turn ? found->motion.rotation_px : found->motion.homography_px,
                                  found->intrinsics,
                                  found->corner_shift_px);
    constexpr double kLeastShiftPx = 2.0;
    if (std::abs(found->corner_shift_px) > kLeastShiftPx * scale &&
        lens.share_px > kMattersPx * scale) {
      result.beside = std::move(lens);
    }
    return result;
  }
  return std::nullopt;
}

/// A turn that the focal length as given hides: one that is a few per cent off looks like parallax.
/// Much longer ones are not looked at, by which a plane that slides past would be a turn.
std::optional<Motion> turn_behind_the_focal(const Tracks& tracks,
                                            const Shot& shot,
                                            const View& view,
                                            const PairMotion& motion) {
  constexpr double kLeastChange = 0.005;
  constexpr double kMostChange = 0.25;
  const std::optional<LensMotion> found =
      stillest_motion(shot, view.intrinsics, view.pairs, motion, {.free_focal = true});
  if (!found) return std::nullopt;
  const double change = std::abs(found->intrinsics(0) - view.intrinsics(0));
  if (change < kLeastChange || change > kMostChange) return std::nullopt;
  std::optional<Finding> lacking = motion_finding(tracks, found->motion, shot.scale());
  // At the border the focal length has only taken up some of a small parallax.
  if (!lacking || lacking->cause != Cause::kPureRotation || lacking->or_cause) return std::nullopt;
  return Motion{found->motion,
                std::move(lacking),
                focal_by_motion(motion.rotation_px,
                                found->motion.rotation_px,
                                std::exp(view.intrinsics(0)),
                                std::exp(found->intrinsics(0)))};
}

}  // namespace

Eigen::Vector3d pinhole(double focal_px) { return {std::log(focal_px), 0.0, 0.0}; }

std::vector<View> look_at_pairs(const Setup& setup,
                                std::span<const int> chain,
                                const std::optional<std::array<int, 2>>& keyframes) {
  const std::vector<Eigen::Vector3d> first =
      setup.focal_px ? std::vector{pinhole(*setup.focal_px)} : guessed_intrinsics(setup);
  std::vector<View> views;
  for (const Eigen::Vector3d& intrinsics : first) {
    View view{intrinsics, {}, {}};
    if (keyframes) {
      view.pairs = pair_motions(setup.base, intrinsics, *keyframes);
    } else {
      view.pairs = pair_motions(setup.base, intrinsics, chain);
    }
    view.motion = measure_scene_motion(setup.base, intrinsics, view.pairs);
    views.push_back(std::move(view));
  }
  return views;
}

Motion look_at_motion(const Tracks& tracks, const Setup& setup, const std::vector<View>& views) {
  const double scale = setup.base.scale();
  const View& view = stillest(views);
  PairMotion motion = view.motion;
  for (const View& other : views)
    motion.noise_px = std::min(motion.noise_px, other.motion.noise_px);
  const bool focal_open = !setup.focal_px;
  if (focal_open) {
    const std::optional<LensMotion> found =
        stillest_motion(setup.base, view.intrinsics, view.pairs, motion, {.free_focal = true});
    if (found && found->motion.rotation_px < motion.rotation_px) motion = found->motion;
  }
  Motion result{motion, motion_finding(tracks, motion, scale), std::nullopt};
  if (!focal_open && !(result.lacking && result.lacking->cause == Cause::kPureRotation)) {
    std::optional<Motion> turn = turn_behind_the_focal(tracks, setup.base, view, motion);
    if (turn) return std::move(*turn);
    if (result.lacking) consider_turn(tracks, setup.base, view, motion, false, *result.lacking);
  }
  if (result.lacking && result.lacking->cause != Cause::kLittleParallax) return result;
  const std::optional<Motion> behind =
      behind_the_lens(tracks, setup.base, view, motion, focal_open);
  return behind && (!result.lacking || behind->lacking->cause == Cause::kPureRotation) ? *behind
                                                                                       : result;
}

std::optional<Start> best_start(const Setup& setup,
                                std::span<const int> chain,
                                const std::vector<View>& views) {
  Starts starts(setup, chain);
  starts.grow(setup.base, views, !setup.focal_px);
  if (setup.has_profile && starts.hopeless()) starts.grow(setup.plain, views, false);
  if (setup.focal_px && starts.hopeless()) {
    std::vector<View> others;
    for (const Eigen::Vector3d& guess : guessed_intrinsics(setup)) {
      others.push_back({guess, views.front().pairs, views.front().motion});
    }
    starts.grow(setup.plain, others, true);
  }
  return std::move(starts).best();
}

Scene freest_scene(const Setup& setup,
                   const Shot& shot,
                   std::span<const char> chain,
                   const Scene& start) {
  Scene scene = start;
  // Two or three frames would bend to anything.
  constexpr std::ptrdiff_t kEnoughFrames = 4;
  const bool free = std::count(chain.begin(), chain.end(), 1) >= kEnoughFrames;
  for (int round = 0; round < 2; ++round) {
    bundle(shot,
           {.free_focal = free || !setup.focal_px,
            .num_radial = free ? 2 : 0,
            .cauchy_px = cauchy_scale_px(shot, scene),
            .frames = chain},
           scene);
  }
  extend_scene(shot, scene);
  return scene;
}

}  // namespace trueplate::plate::detail
