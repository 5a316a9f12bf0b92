#pragma once

#include <array>
#include <optional>

#include "calib/plate/detail/motion.h"
#include "calib/plate/tracks.h"
#include "calib/plate/trial.h"

namespace trueplate::plate::detail {

/// The shot has too few common tracks: between the best frames.
[[nodiscard]] Finding too_few_common(const Tracks& tracks, const PairMotion& best);

/// The keyframes asked for have too few; `best` has most.
[[nodiscard]] Finding too_few_in_keyframes(const Tracks& tracks,
                                           const std::array<int, 2>& keyframes,
                                           const PairMotion& best);

/// Frames without a camera, as a finding: where the chain of frames breaks, and which tracks end
/// there. nullopt when all frames have one.
[[nodiscard]] std::optional<Finding> broken_chain(const Tracks& tracks, const Trial& trial);

/// Share of frames without a camera above which that is the verdict.
inline constexpr double kMostUnsolved = 0.25;

}  // namespace trueplate::plate::detail
