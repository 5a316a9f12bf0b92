#include "calib/plate/detail/camera_findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "calib/plate/detail/words.h"

namespace trueplate::plate::detail {
namespace {

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

/// From this relative change on a focal length may be a squeeze.
constexpr double kLikeASqueeze = 0.15;

/// `found_px`: the focal length that fits, with the lens where that is found as well.
Finding focal_finding(const ChainFit& before,
                      double found_px,
                      bool with_lens,
                      const Fall& fall,
                      const Improvement& by_focal) {
  const double given = before.scene.focal_px();
  return {Cause::kWrongFocal,
          by_focal.share_px,
          fmt::format(
              "The focal length is wrong: the tracks fit {:.0f} px{}, {:+.1f} % of the {:.0f} "
              "px given; the average error falls from {:.2f} to {:.2f} px{} (chance that "
              "noise does that: {}). Check focal length and film back{}.",
              found_px,
              with_lens ? " with the lens free" : "",
              100.0 * (found_px / given - 1.0),
              given,
              fall.before_px,
              fall.after_px,
              fall.over,
              chance_words(by_focal.p_value),
              std::abs(found_px / given - 1.0) > kLikeASqueeze
                  ? ", and the pixel aspect: a squeeze that was not told (--pixel-aspect) looks "
                    "like that as well"
                  : "")};
}

/// Relative change above which a focal length is another.
constexpr double kPlainChange = 0.02;

/// A focal length that changes by a few per cent is wrong though poses and points hide nearly all
/// of it from the average error.
bool shows_focal(const LensTrials& trials, double scale) {
  constexpr double kLeastChange = 0.005;
  constexpr double kPlainSharePx = 0.03;
  const double change =
      std::abs(trials.focal_free.scene.intrinsics(0) - trials.as_given.scene.intrinsics(0));
  if (trials.by_focal.matters(scale)) return change > kLeastChange;
  return change > kPlainChange && trials.by_focal.p_value < kSignificant &&
         trials.by_focal.share_px > kPlainSharePx * scale;
}

/// Whether the focal length that goes with the lens is plainly not the one given.
bool shows_focal_with_lens(const LensTrials& trials, double scale) {
  const double change =
      std::abs(trials.all_free.scene.intrinsics(0) - trials.as_given.scene.intrinsics(0));
  return trials.by_focal_after_lens.matters(scale) && change > kPlainChange;
}

/// Neither alone helps, but both together: the profile of another lens, mostly.
void add_both(const Trial& trial, const LensTrials& trials, std::vector<Finding>& findings) {
  const Fall fall = fall_of(trials, trials.as_given, trials.all_free);
  findings.push_back(
      {Cause::kLens,
       trials.by_both.share_px,
       fmt::format("{}: with both free the average error falls from {:.2f} to {:.2f} px{} (chance "
                   "that noise does that: {}), and hardly with one of them.",
                   trial.as_given()->lens_use == LensUse::kProfile
                       ? "The profile is not this shot's lens, neither in its focal length nor in "
                         "what it straightens"
                       : "The lens bends the plate, and the focal length given hides it",
                   fall.before_px,
                   fall.after_px,
                   fall.over,
                   chance_words(trials.by_both.p_value))});
  findings.push_back(
      focal_finding(trials.as_given, trials.all_free.scene.focal_px(), true, fall, trials.by_both));
}

/// Shift of the outermost points that a lens is worth being told for.
constexpr double kLeastShiftPx = 2.0;

/// The same for a lens: what is rendered through the camera slides by what it moves, however well
/// poses and points hide it.
bool shows_lens(const Trial& trial, const LensTrials& trials, double scale) {
  constexpr double kPlainSigmas = 5.0;
  if (trials.by_lens.matters(scale)) return true;
  const double shift = std::abs(edge_shift_px(trial, trials.lens_free));
  return trials.by_lens.p_value < kSignificant && shift > kLeastShiftPx * scale &&
         shift > kPlainSigmas * trial.lens.edge_sigma_px;
}

/// Whether tracks drift or slip.
bool tracks_move(const Trial& trial) {
  return std::any_of(trial.faults.begin(), trial.faults.end(), [](const TrackFault& fault) {
    return fault.kind != FaultKind::kOff;
  });
}

/// What a good shot says of lens and focal length: that they are right, or how little it tells.
std::string unseen_words(const Trial& trial, const LensTrials& trials, double scale) {
  const LensEstimate& lens = trial.lens;
  const bool has_profile = trial.as_given()->lens_use == LensUse::kProfile;
  const double focal_sigma = trials.focal_sigma > 0.0
                                 ? trials.focal_sigma
                                 : lens.focal_sigma_px.value_or(0.0) / lens.focal_px;
  const bool lens_open = !has_profile && !(lens.edge_sigma_px <= kLeastShiftPx * scale);
  const bool focal_open = !(focal_sigma <= kPlainChange);
  std::string known;
  if (lens_open) {
    known = std::isfinite(lens.edge_sigma_px)
                ? fmt::format("the lens to {:.0f} px only, {:.0f} px from the middle",
                              std::ceil(lens.edge_sigma_px),
                              lens.edge_radius_px)
                : std::string("nothing of the lens");
  }
  if (lens_open && focal_open) known += ", and ";
  if (focal_open) {
    known += focal_sigma < 1.0
                 ? fmt::format("the focal length to {:.0f} % only", std::ceil(100.0 * focal_sigma))
                 : std::string("nothing of the focal length");
  }
  if (known.empty()) return "and neither lens nor focal length would change that";
  return fmt::format(
      "and neither lens nor focal length shows; but by itself this shot tells {} (one standard "
      "deviation)",
      known);
}

}  // namespace

bool doubts_focal(const LensTrials& trials, double scale) {
  return shows_focal(trials, scale) || shows_focal_with_lens(trials, scale) ||
         trials.by_both.matters(scale);
}

void add_camera_findings(const Trial& trial,
                         const LensTrials& trials,
                         double scale,
                         std::vector<Finding>& findings) {
  constexpr double kAsWell = 1.1;  // of what the better of the two leaves
  constexpr double kMayBe = 1e-4;  // chance of noise: less sure than a lens alone has to be
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
    } else if (trials.by_lens.p_value < kMayBe && as_well(trials.lens_free, trials.focal_free)) {
      findings.back().or_cause = Cause::kLens;
      findings.back().words += fmt::format(
          " Or it is the lens: with the focal length as given, one that moves points {:.0f} px "
          "from the middle by {:.1f} px leaves {:.2f} px. A profile of the lens, or a focal length "
          "that was measured, would tell.",
          trial.lens.edge_radius_px,
          std::abs(edge_shift_px(trial, trials.lens_free)),
          trials.lens_free.rms_px());
    }
  } else if (lens) {
    findings.push_back(lens_finding(
        trial, trials.num_radial, trials.lens_free, fall_of_table(trial), trials.by_lens));
    if ((focal && trials.by_focal_after_lens.matters(scale)) ||
        shows_focal_with_lens(trials, scale)) {
      findings.push_back(focal_finding(trials.lens_free,
                                       trials.all_free.scene.focal_px(),
                                       true,
                                       fall_of(trials, trials.lens_free, trials.all_free),
                                       trials.by_focal_after_lens));
    } else if (focal && as_well(trials.focal_free, trials.lens_free)) {
      findings.back().or_cause = Cause::kWrongFocal;
      findings.back().words += fmt::format(
          " Or the focal length is wrong: {:.0f} px instead of {:.0f}, without a lens, leaves "
          "{:.2f} px. A profile of the lens, or a focal length that was measured, would tell.",
          trials.focal_free.scene.focal_px(),
          trials.as_given.scene.focal_px(),
          trials.focal_free.rms_px());
    }
  } else if (trials.by_both.matters(scale)) {
    add_both(trial, trials, findings);
  }
  for (Finding& finding : findings) {
    if (finding.cause == Cause::kWrongFocal && tracks_move(trial)) {
      finding.words +=
          " If the lens zoomed during the shot, no one focal length fits, and good tracks seem to "
          "drift or slip: solve the parts before and after by themselves.";
    }
  }
}

Finding good_finding(const std::string& figures,
                     const Trial& trial,
                     const LensTrials& trials,
                     double scale) {
  constexpr double kSigmas = 2.0;
  constexpr double kUnlikely = 0.01;
  const LensEstimate& lens = trial.lens;
  const double limit_px = kLeastShiftPx * scale;
  const double shift_px = std::abs(lens.edge_shift_px);
  const bool has_profile = trial.as_given()->lens_use == LensUse::kProfile;
  const bool may_hide = !has_profile && std::isfinite(lens.edge_sigma_px) && shift_px > limit_px &&
                        shift_px > kSigmas * lens.edge_sigma_px &&
                        trials.by_lens.p_value < kUnlikely;
  if (!may_hide) {
    return {Cause::kGood,
            0.0,
            fmt::format("Good: {}, {}.", figures, unseen_words(trial, trials, scale))};
  }
  Finding finding{
      Cause::kGood,
      0.0,
      fmt::format("The tracks solve: {}. But that may hide a lens: one that moves points {:.0f} px "
                  "from the middle by {:.1f} +- {:.1f} px fits somewhat better, and CG would slide "
                  "by it. Solve with the lens's profile, or track more near the corners, through "
                  "more frames.",
                  figures,
                  lens.edge_radius_px,
                  lens.edge_shift_px,
                  lens.edge_sigma_px)};
  finding.or_cause = Cause::kLens;
  return finding;
}

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

}  // namespace trueplate::plate::detail
