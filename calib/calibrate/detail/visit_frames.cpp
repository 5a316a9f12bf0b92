#include "calib/calibrate/detail/visit_frames.h"

#include <algorithm>
#include <mutex>

#include "calib/base/interrupt.h"
#include "calib/base/parallel.h"
#include "calib/footage/frame_stream.h"

namespace trueplate::detail {

Result<void> visit_frames(const std::vector<footage::FrameRef>& frames,
                          const DetectFramesOptions& options,
                          const VisitFrame& visit) {
  footage::FrameStream stream(frames);
  std::mutex progress_mutex;
  const int total = static_cast<int>(frames.size());
  int done = 0;
  const int threads = std::min(resolve_threads(options.threads), total);
  parallel_rows(threads, threads, [&](int, int) {
    // One thread a frame: the frames run side by side.
    while (!is_interrupted(options.interrupt)) {
      const auto item = stream.next({.threads = 1});
      if (!item) return;
      visit(item->index, item->frame);
      const std::lock_guard lock(progress_mutex);
      ++done;
      if (options.progress) options.progress(done, total, frames[item->index].name);
    }
  });
  if (is_interrupted(options.interrupt)) return interruption();
  return {};
}

}  // namespace trueplate::detail
