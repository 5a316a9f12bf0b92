#include "calib/plate/detail/conclusions.h"

#include <fmt/format.h>

#include <algorithm>
#include <utility>
#include <vector>

#include "calib/base/counted.h"
#include "calib/plate/detail/common_findings.h"
#include "calib/plate/detail/error_findings.h"
#include "calib/plate/detail/words.h"

namespace trueplate::plate::detail {
namespace {

void add_warnings(const Tracks& tracks, Trial& trial) {
  if (!trial.unsolved_frames.empty()) {
    trial.warnings.push_back(
        {"frames-unsolved",
         fmt::format("{} of {} {} too few known points and {} no camera (first: {})",
                     trial.unsolved_frames.size(),
                     counted(tracks.frames.size(), "frame"),
                     agreed(trial.unsolved_frames.size(), "sees", "see"),
                     agreed(trial.unsolved_frames.size(), "has", "have"),
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
         fmt::format("{} of {} {} seen too rarely, or with too little parallax, to have a "
                     "place: {}",
                     open.size(),
                     counted(tracks.names.size(), "track"),
                     agreed(open.size(), "is", "are"),
                     listed_tracks(tracks, open)),
         static_cast<double>(open.size())});
  }
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

/// Puts what the shot lacks before what its errors say.
void add_lacking(std::optional<Finding> lacking, std::vector<Finding>& findings) {
  if (!lacking) return;
  if (lacking->cause == Cause::kOnePlane || lacking->cause == Cause::kLittleParallax) {
    for (Finding& finding : findings) {
      if (finding.cause != Cause::kMarkersOff && finding.cause != Cause::kSlippedTrack) continue;
      finding.words +=
          " That is less sure than elsewhere: such a shot leaves poses and points open.";
    }
  }
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

void note_unsolved(const Scene& scene, Trial& trial) {
  for (std::size_t f = 0; f < scene.poses.size(); ++f) {
    if (!scene.poses[f]) trial.unsolved_frames.push_back(static_cast<int>(f));
  }
  for (std::size_t t = 0; t < scene.points.size(); ++t) {
    if (!scene.points[t]) trial.unsolved_tracks.push_back(static_cast<int>(t));
  }
}

void conclude(const Tracks& tracks,
              const LensTrials& trials,
              std::optional<Finding> lacking,
              const std::optional<Finding>& beside,
              double scale,
              Trial& trial) {
  add_warnings(tracks, trial);
  trial.findings = error_findings(tracks, trial, trials, scale);
  if (beside && !has_cause(trial, beside->cause)) trial.findings.push_back(*beside);
  add_lacking(std::move(lacking), trial.findings);
  add_broken_chain(tracks, trial);
  doubt_lens(trial);
}

}  // namespace trueplate::plate::detail
