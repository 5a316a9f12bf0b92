#pragma once

#include <functional>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/footage/frame.h"

namespace trueplate::warp {

/// Makes the pixels of one part: the rows of its data window from `first_row` on, as many as `rows`
/// has, all channels. Called for any rows in any order, with up to `threads` threads of its own.
using RowMaker = std::function<Result<void>(int first_row, ImageView<float> rows, int threads)>;

/// A frame whose pixels are made when they are wanted, some rows at a time, so that they are
/// written while they are in the processor's cache and the whole of it is never in memory.
struct FrameInRows {
  footage::Frame frame;
  /// One a part, whose `pixels` are then empty. No maker: the pixels are those of the part.
  std::vector<RowMaker> makers = {};
};

/// The frame with all its pixels made. Errors: those of its makers.
Result<footage::Frame> whole_frame(FrameInRows frame, int threads);

}  // namespace trueplate::warp
