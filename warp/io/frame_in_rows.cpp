#include "warp/io/frame_in_rows.h"

#include <utility>

namespace trueplate::warp {

Result<footage::Frame> whole_frame(FrameInRows frame, int threads) {
  for (std::size_t i = 0; i < frame.makers.size(); ++i) {
    if (!frame.makers[i]) continue;
    footage::Part& part = frame.frame.part(i);
    const Window& data = part.windows.data;
    part.pixels = Image<float>(data.width, data.height, static_cast<int>(part.channels.size()));
    Result<void> made = frame.makers[i](0, part.pixels.view(), threads);
    if (!made) return fail(made.error());
  }
  return std::move(frame.frame);
}

}  // namespace trueplate::warp
