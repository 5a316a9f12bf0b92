#pragma once

#include <cstddef>
#include <functional>
#include <vector>

#include "calib/base/result.h"
#include "calib/calibrate.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_set.h"

namespace trueplate::detail {

/// What is done with a frame, the one at `place` in the list.
using VisitFrame = std::function<void(std::size_t place, const Result<footage::Frame>& frame)>;

/// Reads frames and visits each, from any thread, several at once, one frame a thread in memory. Of
/// the options, threads, progress and interrupt count. Errors: only kInterrupted.
Result<void> visit_frames(const std::vector<footage::FrameRef>& frames,
                          const DetectFramesOptions& options,
                          const VisitFrame& visit);

}  // namespace trueplate::detail
