#include "calib/plate/detail/error_findings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

#include "calib/base/counted.h"
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
                              counted(items.size(), "track"),
                              slipped ? "slipped" : agreed(items.size(), "is off", "are off"),
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
  return {{Cause::kGood,
           0.0,
           fmt::format("Good: {}, and neither lens nor focal length would "
                       "change that.",
                       figures)}};
}

}  // namespace trueplate::plate::detail
