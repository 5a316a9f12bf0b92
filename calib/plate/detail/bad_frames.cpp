#include "calib/plate/detail/bad_frames.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "calib/base/counted.h"
#include "calib/plate/detail/words.h"

namespace trueplate::plate::detail {
namespace {

constexpr std::size_t kMostFrames = 2;  // of a track that is off for its frame's sake
constexpr std::size_t kFewestTracks = 5;
constexpr double kLeastShare = 0.25;

bool is_short(const TrackFault& fault) {
  return fault.kind == FaultKind::kOff && fault.frames.size() <= kMostFrames;
}

}  // namespace

bool is_of(const TrackFault& fault, const BadFrame& bad) {
  return is_short(fault) && fault.frame == bad.frame;
}

std::vector<BadFrame> bad_frames(const Tracks& tracks, std::span<const TrackFault> faults) {
  std::map<int, BadFrame> by_frame;
  for (const TrackFault& fault : faults) {
    if (!is_short(fault)) continue;
    BadFrame& bad = by_frame[fault.frame];
    bad.frame = fault.frame;
    bad.size_px = std::max(bad.size_px, fault.size_px);
    ++bad.num_off;
  }
  for (const TrackPoint& point : tracks.points) {
    if (const auto found = by_frame.find(point.frame); found != by_frame.end()) {
      ++found->second.num_seen;
    }
  }
  std::vector<BadFrame> result;
  for (const auto& [frame, bad] : by_frame) {
    const double share = static_cast<double>(bad.num_off) / static_cast<double>(bad.num_seen);
    if (bad.num_off >= kFewestTracks && share > kLeastShare) result.push_back(bad);
  }
  return result;
}

std::string bad_frame_words(const Tracks& tracks, const BadFrame& bad) {
  return fmt::format(
      "Frame {} is off: {} of the {} seen there are, by up to {:.1f} px, and hardly anywhere else; "
      "look at that frame (blur, a flash, a cut) before the tracks.",
      number_of(tracks, bad.frame),
      bad.num_off,
      counted(bad.num_seen, "track"),
      bad.size_px);
}

}  // namespace trueplate::plate::detail
