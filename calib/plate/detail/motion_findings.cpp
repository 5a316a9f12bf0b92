#include "calib/plate/detail/motion_findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>

#include "calib/plate/detail/words.h"

namespace trueplate::plate::detail {
namespace {

/// A point's error in the second picture has the noise of both pictures and both coordinates.
double pair_noise_px(const PairMotion& motion) { return 2.0 * motion.noise_px; }

/// What an explanation takes off a root mean square.
double explained_px(double before_px, double after_px) {
  return std::sqrt(std::max(0.0, before_px * before_px - after_px * after_px));
}

/// At the border between a turn and little parallax the noise of the noise decides: the figures,
/// and that it is either.
Finding at_the_border(Finding finding, Cause other, const PairMotion& motion, double limit) {
  constexpr double kLeast = 0.95;
  constexpr double kMost = 1.3;
  if (motion.rotation_px < kLeast * limit || motion.rotation_px > kMost * limit) return finding;
  finding.or_cause = other;
  finding.words +=
      fmt::format(" It may as well be {}: {:.2f} px are left, and noise leaves up to {:.2f} px.",
                  other == Cause::kPureRotation ? "a turn alone" : "very little parallax",
                  motion.rotation_px,
                  limit);
  return finding;
}

}  // namespace

double noise_factor(int num_common) { return 1.15 + 2.4 / std::sqrt(num_common); }

double noise_limit_px(const PairMotion& motion, double scale) {
  constexpr double kLeastNoisePx = 0.05;
  return std::max(noise_factor(motion.num_common) * pair_noise_px(motion), kLeastNoisePx * scale);
}

Finding lens_by_motion(double before_px,
                       double after_px,
                       const Eigen::Vector3d& intrinsics,
                       double corner_shift_px) {
  return {Cause::kLens,
          explained_px(before_px, after_px),
          fmt::format("The lens bends the plate, and nothing straightens it: without one that "
                      "motion is explained but for {:.2f} px, with k1 = {:.4f}{}, which moves the "
                      "corners by {:.1f} px, but for {:.2f} px.",
                      before_px,
                      intrinsics(1),
                      intrinsics(2) == 0.0 ? "" : fmt::format(" and k2 = {:.4f}", intrinsics(2)),
                      corner_shift_px,
                      after_px)};
}

Finding focal_by_motion(double before_px, double after_px, double given_px, double found_px) {
  return {Cause::kWrongFocal,
          explained_px(before_px, after_px),
          fmt::format("The focal length is wrong: with the {:.0f} px given a turn explains the "
                      "motion but for {:.2f} px, with {:.0f} px ({:+.1f} %) but for {:.2f} px. "
                      "Check focal length and film back.",
                      given_px,
                      before_px,
                      found_px,
                      100.0 * (found_px / given_px - 1.0),
                      after_px)};
}

std::optional<Finding> motion_finding(const Tracks& tracks,
                                      const PairMotion& motion,
                                      double scale) {
  const double noise = pair_noise_px(motion);
  const double limit = noise_limit_px(motion, scale);
  const double parallax = explained_px(motion.rotation_px, noise);
  const std::string frames = fmt::format(
      "{} and {}", number_of(tracks, motion.frame_a), number_of(tracks, motion.frame_b));
  const std::string pair =
      motion.num_pairs <= 1
          ? fmt::format("between frames {}", frames)
          : fmt::format(
                "in the middle of {} pairs of frames, such as {},", motion.num_pairs, frames);
  if (motion.rotation_px < limit) {
    const bool is_still = motion.shift_px < limit;
    Finding finding{
        Cause::kPureRotation,
        0.0,
        fmt::format("{}: {} the tracks move by {:.1f} px, and a turn of the camera alone explains "
                    "all but {:.2f} px, which is noise (up to {:.2f} px of parallax would hide in "
                    "it). Its position and the depths are open; {}.",
                    is_still ? "Nothing moves" : "The camera only turns",
                    pair,
                    motion.shift_px,
                    motion.rotation_px,
                    explained_px(limit, noise),
                    is_still ? "the camera stands still, or a frame is there twice: take frames "
                               "between which it moves"
                             : "solve it as a tripod shot")};
    return at_the_border(std::move(finding), Cause::kLittleParallax, motion, limit);
  }
  if (parallax < kLittleParallaxPx * scale) {
    Finding finding{
        Cause::kLittleParallax,
        0.0,
        fmt::format("Too little parallax: {} a turn of the camera explains all of {:.1f} px but "
                    "{:.2f} px, with noise of {:.2f} px. Depths and the camera's path are hardly "
                    "known; take frames farther apart, or tracks nearer and farther away.",
                    pair,
                    motion.shift_px,
                    parallax,
                    motion.noise_px)};
    return at_the_border(std::move(finding), Cause::kPureRotation, motion, limit);
  }
  // A wall that most tracks are on is no lack while others stand before it.
  constexpr double kMostOffPlane = 0.1;
  if (motion.homography_px < limit && motion.off_plane < kMostOffPlane) {
    return Finding{
        Cause::kOnePlane,
        0.0,
        fmt::format("{} points lie on one plane: {} a plane's picture explains the motion to "
                    "{:.2f} px, which is noise, though the camera moves ({:.1f} px of parallax). "
                    "Focal length and lens are open; add tracks off the plane.",
                    motion.off_plane > 0.0 ? "Nearly all" : "All",
                    pair,
                    motion.homography_px,
                    parallax)};
  }
  return std::nullopt;
}

}  // namespace trueplate::plate::detail
