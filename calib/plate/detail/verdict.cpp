#include "calib/plate/detail/verdict.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "calib/base/utf8.h"

namespace trueplate::plate::detail {
namespace {

/// A track's name for a terminal.
std::string shown(const Tracks& tracks, int track) {
  return fmt::format("'{}'", printable(tracks.names[static_cast<std::size_t>(track)]));
}

double number_of(const Tracks& tracks, int frame) {
  return tracks.frames[static_cast<std::size_t>(frame)];
}

std::string chance_words(double p_value) {
  constexpr double kLeastTold = 1e-12;
  return p_value < kLeastTold ? fmt::format("below {:.0e}", kLeastTold)
                              : fmt::format("{:.1e}", p_value);
}

/// The first few of a list, and how many more there are.
std::string listed(const std::vector<std::string>& items) {
  constexpr std::size_t kMost = 5;
  std::string text;
  for (std::size_t i = 0; i < std::min(kMost, items.size()); ++i) {
    text += i == 0 ? "" : ", ";
    text += items[i];
  }
  if (items.size() > kMost) text += fmt::format(" and {} more", items.size() - kMost);
  return text;
}

std::vector<std::string> tracks_only_in(const Tracks& tracks, int frame, int other) {
  const std::vector<std::size_t> starts = frame_starts(tracks);
  std::vector<char> there(tracks.names.size(), 0);
  const auto begin_other = starts[static_cast<std::size_t>(other)];
  const auto end_other = starts[static_cast<std::size_t>(other) + 1];
  for (std::size_t i = begin_other; i < end_other; ++i) {
    there[static_cast<std::size_t>(tracks.points[i].track)] = 1;
  }
  std::vector<std::string> names;
  for (std::size_t i = starts[static_cast<std::size_t>(frame)];
       i < starts[static_cast<std::size_t>(frame) + 1];
       ++i) {
    const int track = tracks.points[i].track;
    if (there[static_cast<std::size_t>(track)] == 0) names.push_back(shown(tracks, track));
  }
  return names;
}

/// How much larger the average error is with what was left out.
double share_of_faults(const CameraSolve& solve) {
  const double all = solve.all.rms_px;
  const double used = solve.used.rms_px;
  return all > used ? std::sqrt(all * all - used * used) : 0.0;
}

Finding fault_finding(const Tracks& tracks, const Trial& trial, bool slipped) {
  Finding finding{slipped ? Cause::kSlippedTrack : Cause::kMarkersOff, 0.0, {}};
  std::vector<std::string> items;
  double squares = 0.0;
  double all_squares = 0.0;
  for (const TrackFault& fault : trial.faults) {
    const double weight = fault.rms_px * fault.rms_px *
                          static_cast<double>(std::max<std::size_t>(1, fault.frames.size()));
    all_squares += weight;
    if (fault.slipped != slipped) continue;
    squares += weight;
    items.push_back(
        slipped ? fmt::format("{} jumps by {:.1f} px at frame {}",
                              shown(tracks, fault.track),
                              fault.size_px,
                              number_of(tracks, fault.frame))
                : fmt::format("{} is off by up to {:.1f} px (frame {}; {} of its frames left out)",
                              shown(tracks, fault.track),
                              fault.size_px,
                              number_of(tracks, fault.frame),
                              fault.frames.size()));
  }
  const CameraSolve* solve = trial.as_given();
  if (solve != nullptr && all_squares > 0.0) {
    finding.share_px = share_of_faults(*solve) * std::sqrt(squares / all_squares);
  }
  finding.words = fmt::format("{} {}: {}.",
                              items.size(),
                              slipped ? (items.size() == 1 ? "track slipped" : "tracks slipped")
                                      : (items.size() == 1 ? "track is off" : "tracks are off"),
                              listed(items));
  return finding;
}

/// How far the average error falls, as it is told: of the table's columns, or of the frames that
/// the camera was tried on.
struct Fall {
  double before_px = 0.0;
  double after_px = 0.0;
  std::string over;  // which frames, where they are not all
};

Fall fall_of(const LensTrials& trials, const ChainFit& before, const ChainFit& after) {
  return {before.rms_px(),
          after.rms_px(),
          trials.num_tried < trials.num_frames
              ? fmt::format(", over {} of {} frames", trials.num_tried, trials.num_frames)
              : std::string()};
}

Fall fall_of_table(const Trial& trial) {
  return {trial.as_given()->used.rms_px, trial.find(LensUse::kFree)->used.rms_px, {}};
}

/// By how much the radial terms of a chain move the outermost points.
double edge_shift_px(const Trial& trial, const ChainFit& fit) {
  const double radius_px = trial.lens.edge_radius_px;
  const Eigen::Vector3d& found = fit.scene.intrinsics;
  const double u2 = std::pow(radius_px / fit.scene.focal_px(), 2.0);
  return radius_px * u2 * (found(1) + u2 * found(2));
}

Finding lens_finding(const Trial& trial,
                     int num_radial,
                     const ChainFit& fit,
                     const Fall& fall,
                     const Improvement& by_lens) {
  const CameraSolve& given = *trial.as_given();
  const RingError& inner = given.rings.front();
  const RingError& outer = given.rings.back();
  return {
      Cause::kLens,
      by_lens.share_px,
      fmt::format("{}: with {} the average error falls from {:.2f} to {:.2f} px{} (chance that "
                  "noise does that: {}). It is {:.2f} px within {:.0f} px of the middle and {:.2f} "
                  "px beyond {:.0f} px; the lens moves points {:.0f} px from it by {:.1f} px.",
                  given.lens_use == LensUse::kProfile
                      ? "The profile is not this shot's lens"
                      : "The lens bends the plate, and nothing straightens it",
                  num_radial == 1 ? "one radial term" : "two radial terms",
                  fall.before_px,
                  fall.after_px,
                  fall.over,
                  chance_words(by_lens.p_value),
                  inner.rms_px,
                  inner.outer_radius_px,
                  outer.rms_px,
                  given.rings[2].outer_radius_px,
                  trial.lens.edge_radius_px,
                  std::abs(edge_shift_px(trial, fit)))};
}

/// `found_px`: the focal length that fits, with the lens where that is found as well.
Finding focal_finding(const ChainFit& before,
                      double found_px,
                      bool with_lens,
                      const Fall& fall,
                      const Improvement& by_focal) {
  const double given = before.scene.focal_px();
  return {
      Cause::kWrongFocal,
      by_focal.share_px,
      fmt::format("The focal length is wrong: the tracks fit {:.0f} px{}, {:+.1f} % of the {:.0f} "
                  "px given; the average error falls from {:.2f} to {:.2f} px{} (chance that "
                  "noise does that: {}). Check focal length and film back.",
                  found_px,
                  with_lens ? " with the lens free" : "",
                  100.0 * (found_px / given - 1.0),
                  given,
                  fall.before_px,
                  fall.after_px,
                  fall.over,
                  chance_words(by_focal.p_value))};
}

/// A focal length that changes by a few per cent is wrong though poses and points hide nearly all
/// of it from the average error.
bool shows_focal(const LensTrials& trials, double scale) {
  constexpr double kLeastChange = 0.005;
  constexpr double kPlainChange = 0.02;
  constexpr double kPlainSharePx = 0.03;
  const double change =
      std::abs(trials.focal_free.scene.intrinsics(0) - trials.as_given.scene.intrinsics(0));
  if (trials.by_focal.matters(scale)) return change > kLeastChange;
  return change > kPlainChange && trials.by_focal.p_value < kSignificant &&
         trials.by_focal.share_px > kPlainSharePx * scale;
}

/// The same for a lens: what is rendered through the camera slides by what it moves, however well
/// poses and points hide it.
bool shows_lens(const Trial& trial, const LensTrials& trials, double scale) {
  constexpr double kLeastShiftPx = 2.0;
  constexpr double kPlainSigmas = 5.0;
  if (trials.by_lens.matters(scale)) return true;
  const double shift = std::abs(edge_shift_px(trial, trials.lens_free));
  return trials.by_lens.p_value < kSignificant && shift > kLeastShiftPx * scale &&
         shift > kPlainSigmas * trial.lens.edge_sigma_px;
}

/// Lens, focal length, both or none: what explains more comes first, the other only if it explains
/// something that the first does not.
void add_camera_findings(const Trial& trial,
                         const LensTrials& trials,
                         double scale,
                         std::vector<Finding>& findings) {
  // Of what the better of the two leaves.
  constexpr double kAsWell = 1.1;
  const auto as_well = [](const ChainFit& other, const ChainFit& better) {
    return other.rms_px() <= kAsWell * better.rms_px();
  };
  const bool focal = shows_focal(trials, scale);
  const bool lens = shows_lens(trial, trials, scale);
  if (focal && (!lens || trials.by_focal.share_px >= trials.by_lens.share_px)) {
    const bool both = trials.by_lens_after_focal.matters(scale);
    const ChainFit& fit = both ? trials.all_free : trials.focal_free;
    findings.push_back(focal_finding(trials.as_given,
                                     fit.scene.focal_px(),
                                     both,
                                     fall_of(trials, trials.as_given, trials.focal_free),
                                     trials.by_focal));
    if (both) {
      findings.push_back(lens_finding(trial,
                                      trials.num_radial,
                                      trials.all_free,
                                      fall_of(trials, trials.focal_free, trials.all_free),
                                      trials.by_lens_after_focal));
    } else if (lens && as_well(trials.lens_free, trials.focal_free)) {
      findings.back().or_cause = Cause::kLens;
    }
  } else if (lens) {
    findings.push_back(lens_finding(
        trial, trials.num_radial, trials.lens_free, fall_of_table(trial), trials.by_lens));
    if (focal && trials.by_focal_after_lens.matters(scale)) {
      findings.push_back(focal_finding(trials.lens_free,
                                       trials.all_free.scene.focal_px(),
                                       true,
                                       fall_of(trials, trials.lens_free, trials.all_free),
                                       trials.by_focal_after_lens));
    } else if (focal && as_well(trials.focal_free, trials.lens_free)) {
      findings.back().or_cause = Cause::kWrongFocal;
    }
  }
}

/// Where neither lens nor focal length brings the errors near what a solve has, most markers are
/// off, and what little these explain of it says nothing about them.
void add_hopeless(const LensTrials& trials, double scale, std::vector<Finding>& findings) {
  const double left_px = trials.all_free.rms_px();
  if (!(left_px > kBadPx * scale)) return;
  std::erase_if(findings, [left_px](const Finding& finding) {
    return (finding.cause == Cause::kLens || finding.cause == Cause::kWrongFocal) &&
           finding.share_px < left_px;
  });
  findings.push_back(
      {Cause::kMarkersOff,
       left_px,
       fmt::format("Most markers are off: with focal length and lens free the average error is "
                   "still {:.2f} px{}.",
                   left_px,
                   fall_of(trials, trials.as_given, trials.all_free).over)});
}

/// A point's error in the second picture has the noise of both pictures and both coordinates.
double pair_noise_px(const PairMotion& motion) { return 2.0 * motion.noise_px; }

/// Tracks that one of two frames shows and the other does not, as a sentence.
std::string missing_words(const Tracks& tracks, int frame_a, int frame_b) {
  for (const auto& [here, there] : {std::pair(frame_a, frame_b), std::pair(frame_b, frame_a)}) {
    const std::vector<std::string> missing = tracks_only_in(tracks, here, there);
    if (missing.empty()) continue;
    return fmt::format("Only in frame {}: {}.", number_of(tracks, here), listed(missing));
  }
  return "Add tracks.";
}

}  // namespace

Finding too_few_common(const Tracks& tracks, const PairMotion& best) {
  if (best.num_common < 0) {
    return {Cause::kTooFewCommon,
            0.0,
            fmt::format("There is one frame ({}); a camera solve needs at least two, with {} "
                        "common tracks.",
                        number_of(tracks, 0),
                        kFewestCommon)};
  }
  return {
      Cause::kTooFewCommon,
      0.0,
      fmt::format("Frames {} and {} have {} tracks in common, {} fewer than the {} that a solve "
                  "needs to start; no other pair has more. {}",
                  number_of(tracks, best.frame_a),
                  number_of(tracks, best.frame_b),
                  best.num_common,
                  kFewestCommon - best.num_common,
                  kFewestCommon,
                  missing_words(tracks, best.frame_a, best.frame_b))};
}

Finding too_few_in_keyframes(const Tracks& tracks,
                             const std::array<int, 2>& keyframes,
                             const PairMotion& best) {
  const int common = num_common_tracks(tracks, keyframes[0], keyframes[1]);
  if (best.num_common <= common) {
    return too_few_common(tracks,
                          {.frame_a = keyframes[0], .frame_b = keyframes[1], .num_common = common});
  }
  return {Cause::kTooFewCommon,
          0.0,
          fmt::format("The keyframes asked for, {} and {}, have {} tracks in common, {} fewer than "
                      "the {} that a solve needs to start. Frames {} and {} have {}: ask for "
                      "others, or leave the choice open. {}",
                      number_of(tracks, keyframes[0]),
                      number_of(tracks, keyframes[1]),
                      common,
                      kFewestCommon - common,
                      kFewestCommon,
                      number_of(tracks, best.frame_a),
                      number_of(tracks, best.frame_b),
                      best.num_common,
                      missing_words(tracks, keyframes[0], keyframes[1]))};
}

std::optional<Finding> broken_chain(const Tracks& tracks, const Trial& trial) {
  if (trial.unsolved_frames.empty()) return std::nullopt;
  std::vector<char> open(tracks.frames.size(), 0);
  for (const int frame : trial.unsolved_frames) open[static_cast<std::size_t>(frame)] = 1;
  Finding finding{Cause::kTooFewCommon,
                  0.0,
                  fmt::format("{} of {} frames share too few tracks with the others and have no "
                              "camera.",
                              trial.unsolved_frames.size(),
                              tracks.frames.size())};
  for (std::size_t f = 0; f + 1 < open.size(); ++f) {
    if (open[f] == open[f + 1]) continue;
    const int with = static_cast<int>(open[f] == 0 ? f : f + 1);
    const int without = static_cast<int>(open[f] == 0 ? f + 1 : f);
    const std::vector<std::string> missing = tracks_only_in(tracks, with, without);
    finding.words += fmt::format(
        " The chain breaks between frames {} and {}, which share {} tracks; {} are wanted.{} Add "
        "tracks that go across.",
        number_of(tracks, static_cast<int>(f)),
        number_of(tracks, static_cast<int>(f + 1)),
        num_common_tracks(tracks, with, without),
        kFewestCommon,
        missing.empty()
            ? std::string()
            : fmt::format(
                  " Missing in frame {}: {}.", number_of(tracks, without), listed(missing)));
    break;
  }
  return finding;
}

double noise_factor(int num_common) { return 1.15 + 2.4 / std::sqrt(num_common); }

double noise_limit_px(const PairMotion& motion, double scale) {
  constexpr double kLeastNoisePx = 0.05;
  return std::max(noise_factor(motion.num_common) * pair_noise_px(motion), kLeastNoisePx * scale);
}

Finding lens_by_motion(double before_px, double after_px, double k1, double corner_shift_px) {
  return {Cause::kLens,
          std::sqrt(std::max(0.0, before_px * before_px - after_px * after_px)),
          fmt::format("The lens bends the plate, and nothing straightens it: without one that "
                      "motion is explained but for {:.2f} px, with k1 = {:.4f}, which moves the "
                      "corners by {:.1f} px, but for {:.2f} px.",
                      before_px,
                      k1,
                      corner_shift_px,
                      after_px)};
}

Finding focal_by_motion(double before_px, double after_px, double given_px, double found_px) {
  return {Cause::kWrongFocal,
          std::sqrt(std::max(0.0, before_px * before_px - after_px * after_px)),
          fmt::format("The focal length is wrong: with the {:.0f} px given a turn explains the "
                      "motion but for {:.2f} px, with {:.0f} px ({:+.1f} %) but for {:.2f} px. "
                      "Check focal length and film back.",
                      given_px,
                      before_px,
                      found_px,
                      100.0 * (found_px / given_px - 1.0),
                      after_px)};
}

namespace {

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

std::optional<Finding> motion_finding(const Tracks& tracks,
                                      const PairMotion& motion,
                                      double scale) {
  const double noise = pair_noise_px(motion);
  const double limit = noise_limit_px(motion, scale);
  const double parallax =
      std::sqrt(std::max(0.0, motion.rotation_px * motion.rotation_px - noise * noise));
  const std::string frames = fmt::format(
      "{} and {}", number_of(tracks, motion.frame_a), number_of(tracks, motion.frame_b));
  const std::string pair =
      motion.num_pairs <= 1
          ? fmt::format("between frames {}", frames)
          : fmt::format(
                "in the middle of {} pairs of frames, such as {},", motion.num_pairs, frames);
  if (motion.rotation_px < limit) {
    Finding finding{
        Cause::kPureRotation,
        0.0,
        fmt::format(
            "{}: {} the tracks move by {:.1f} px, and a turn of the camera alone explains "
            "all but {:.2f} px, which is noise (up to {:.2f} px of parallax would hide in it). "
            "Its position and the depths are open; solve it as a tripod shot.",
            motion.shift_px < limit ? "Nothing moves" : "The camera only turns",
            pair,
            motion.shift_px,
            motion.rotation_px,
            std::sqrt(std::max(0.0, limit * limit - noise * noise)))};
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
  if (motion.homography_px < limit) {
    return Finding{
        Cause::kOnePlane,
        0.0,
        fmt::format("All points lie on one plane: {} a plane's picture explains the motion to "
                    "{:.2f} px, which is noise, though the camera moves ({:.1f} px of parallax). "
                    "Focal length and lens are open; add tracks off the plane.",
                    pair,
                    motion.homography_px,
                    parallax)};
  }
  return std::nullopt;
}

std::string listed_tracks(const Tracks& tracks, const std::vector<int>& which) {
  std::vector<std::string> names;
  for (const int track : which) names.push_back(shown(tracks, track));
  return listed(names);
}

std::vector<Finding> error_findings(const Tracks& tracks,
                                    const Trial& trial,
                                    const LensTrials& trials,
                                    double scale) {
  std::vector<Finding> findings;
  for (const bool slipped : {true, false}) {
    if (std::any_of(trial.faults.begin(), trial.faults.end(), [slipped](const TrackFault& fault) {
          return fault.slipped == slipped;
        })) {
      findings.push_back(fault_finding(tracks, trial, slipped));
    }
  }
  add_camera_findings(trial, trials, scale, findings);
  add_hopeless(trials, scale, findings);
  std::stable_sort(findings.begin(), findings.end(), [](const Finding& a, const Finding& b) {
    return a.share_px > b.share_px;
  });
  if (!findings.empty()) return findings;

  const CameraSolve& solve = *trial.as_given();
  const std::string figures = fmt::format(
      "the average error is {:.2f} px over {} points ({} "
      "tracks, {} frames)",
      solve.used.rms_px,
      solve.used.num_points,
      tracks.names.size() - trial.unsolved_tracks.size(),
      tracks.frames.size() - trial.unsolved_frames.size());
  if (solve.used.rms_px > kAimPx * scale) {
    return {
        {Cause::kMarkersOff,
         solve.used.rms_px,
         fmt::format("The markers are off, all alike: {}, no track stands out, and neither lens "
                     "nor focal length explains it.",
                     figures)}};
  }
  return {{Cause::kGood,
           0.0,
           fmt::format("Good: {}, and neither lens nor focal length would "
                       "change that.",
                       figures)}};
}

}  // namespace trueplate::plate::detail
