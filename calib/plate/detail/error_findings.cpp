#include "calib/plate/detail/error_findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "calib/base/counted.h"
#include "calib/plate/detail/bad_frames.h"
#include "calib/plate/detail/camera_findings.h"
#include "calib/plate/detail/words.h"

namespace trueplate::plate::detail {
namespace {

/// How much larger the average error is with what was left out.
double share_of_faults(const CameraSolve& solve) {
  const double all = solve.all.rms_px;
  const double used = solve.used.rms_px;
  return all > used ? std::sqrt(all * all - used * used) : 0.0;
}

bool is_slip(const TrackFault& fault) { return fault.kind == FaultKind::kSlipped; }

std::string fault_words(const Tracks& tracks, const TrackFault& fault) {
  const std::string name = shown(tracks, fault.track);
  if (fault.swapped_with) {
    return fmt::format("{} and {} change places at frame {} ({:.0f} px)",
                       name,
                       shown(tracks, *fault.swapped_with),
                       number_of(tracks, fault.frame),
                       fault.size_px);
  }
  switch (fault.kind) {
    case FaultKind::kSlipped:
      return fmt::format(
          "{} jumps by {:.1f} px at frame {}", name, fault.size_px, number_of(tracks, fault.frame));
    case FaultKind::kDrifts:
      return fmt::format("{} drifts evenly, by about {:.2g} px a frame, {:.0f} px in all",
                         name,
                         fault.drift_px_per_frame,
                         fault.size_px);
    case FaultKind::kOff:
      break;
  }
  return fmt::format("{} is off by up to {:.1f} px (frame {}; {} of its frames left out)",
                     name,
                     fault.size_px,
                     number_of(tracks, fault.frame),
                     fault.frames.size());
}

Finding fault_finding(const Tracks& tracks, const Trial& trial, bool slipped) {
  Finding finding{slipped ? Cause::kSlippedTrack : Cause::kMarkersOff, 0.0, {}};
  const std::vector<BadFrame> frames =
      slipped ? std::vector<BadFrame>() : bad_frames(tracks, trial.faults);
  const auto is_told = [&frames](const TrackFault& fault) {
    return std::any_of(
        frames.begin(), frames.end(), [&fault](const BadFrame& bad) { return is_of(fault, bad); });
  };
  std::vector<std::string> items;
  std::size_t count = 0;
  double squares = 0.0;
  double all_squares = 0.0;
  for (const TrackFault& fault : trial.faults) {
    const double weight = fault.rms_px * fault.rms_px *
                          static_cast<double>(std::max<std::size_t>(1, fault.frames.size()));
    all_squares += weight;
    if (is_slip(fault) != slipped) continue;
    squares += weight;
    if (is_told(fault)) continue;
    ++count;
    // One of two that changed places speaks for both.
    if (fault.swapped_with && *fault.swapped_with < fault.track) continue;
    items.push_back(fault_words(tracks, fault));
  }
  const CameraSolve* solve = trial.as_given();
  if (solve != nullptr && all_squares > 0.0) {
    finding.share_px = share_of_faults(*solve) * std::sqrt(squares / all_squares);
  }
  for (const BadFrame& bad : frames) {
    if (!finding.words.empty()) finding.words += " ";
    finding.words += bad_frame_words(tracks, bad);
  }
  if (items.empty()) return finding;
  if (!finding.words.empty()) finding.words += " ";
  finding.words += fmt::format("{} {}: {}.",
                               counted(count, "track"),
                               slipped ? "slipped" : agreed(count, "is off", "are off"),
                               listed(items));
  return finding;
}

}  // namespace

std::vector<Finding> error_findings(const Tracks& tracks,
                                    const Trial& trial,
                                    const LensTrials& trials,
                                    double scale) {
  std::vector<Finding> findings;
  for (const bool slipped : {true, false}) {
    if (std::any_of(trial.faults.begin(), trial.faults.end(), [slipped](const TrackFault& fault) {
          return is_slip(fault) == slipped;
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
  const std::string figures =
      fmt::format("the average error is {:.2f} px over {} ({}, {})",
                  solve.used.rms_px,
                  counted(static_cast<std::size_t>(solve.used.num_points), "point"),
                  counted(tracks.names.size() - trial.unsolved_tracks.size(), "track"),
                  counted(tracks.frames.size() - trial.unsolved_frames.size(), "frame"));
  if (solve.used.rms_px > kAimPx * scale) {
    return {
        {Cause::kMarkersOff,
         solve.used.rms_px,
         fmt::format("The markers are off, all alike: {}, no track stands out, and neither lens "
                     "nor focal length explains it.",
                     figures)}};
  }
  return {good_finding(figures, trial, trials, scale)};
}

}  // namespace trueplate::plate::detail
