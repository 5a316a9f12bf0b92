#pragma once

#include <functional>
#include <string>
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
  /// One a part or none: names of channels whose numbers mean something one by one, such as IDs and
  /// depths, so that a compression which changes numbers would spoil them. Empty: no such channel.
  std::vector<std::string> exact_channels = {};
};

/// The frame with all its pixels made. Errors: those of its makers.
Result<footage::Frame> whole_frame(FrameInRows frame, int threads);

}  // namespace trueplate::warp
