#pragma once

#include <span>
#include <string>
#include <vector>

#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// A frame that many tracks are off in, and hardly anywhere else: the picture is, not they.
struct BadFrame {
  int frame = 0;
  std::size_t num_off = 0;   // tracks
  std::size_t num_seen = 0;  // tracks that have a point there
  double size_px = 0.0;      // the largest error there
};

/// Whether a fault is one of those that make its frame a bad one.
[[nodiscard]] bool is_of(const TrackFault& fault, const BadFrame& bad);

/// By frame: those in which five tracks or more, and more than a quarter of those seen there, are
/// off that are off in no more than one frame besides.
[[nodiscard]] std::vector<BadFrame> bad_frames(const Tracks& tracks,
                                               std::span<const TrackFault> faults);

/// A sentence.
[[nodiscard]] std::string bad_frame_words(const Tracks& tracks, const BadFrame& bad);

}  // namespace trueplate::plate::detail
