#pragma once

#include <cstddef>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "calib/footage/frame_set.h"

namespace trueplate::footage {

/// Hands out the frames of a set one after another, to any number of threads.
///
/// Stills are read by the thread that asks, side by side. A movie is decoded in its order by
/// whoever's turn it is, since its frames build on each other; frames that were not asked for are
/// passed over. At most one frame a thread is in memory.
class FrameStream {
 public:
  enum class Digests { kNone, kOfStills };

  explicit FrameStream(std::vector<FrameRef> frames, Digests digests = Digests::kNone);
  ~FrameStream();
  FrameStream(const FrameStream&) = delete;
  FrameStream& operator=(const FrameStream&) = delete;

  struct Item {
    std::size_t index;  // of the frame in the list given
    Result<Frame> frame;
    std::string digest = {};  // of the content of the file, where it was asked for
  };
  /// The next frame, or the reason why it cannot be had; nullopt after the last one. Safe from any
  /// thread; the frames come in order of the list, though they may be ready in another.
  /// wanted   asked before a frame is read; those it does not want are passed over. Stills are
  /// asked
  ///          about side by side, frames of a movie one after another.
  std::optional<Item> next(const ReadOptions& options = {},
                           const std::function<bool(std::size_t index)>& wanted = {});

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace trueplate::footage
