#pragma once

#include <filesystem>
#include <map>
#include <mutex>
#include <optional>
#include <string>

#include "calib/base/result.h"
#include "calib/footage/content_digest.h"
#include "calib/footage/frame_set.h"

namespace trueplate::warp::detail {

/// The content of an input frame, and how the file was before that was read.
struct Source {
  std::string digest;
  std::optional<footage::FileState> state;

  /// Whether the file is still the one that was read.
  [[nodiscard]] bool is_unchanged(const footage::FrameRef& frame) const {
    return state == footage::file_state(frame.path);
  }
};

/// Digests of the frames of a sequence. Safe from any thread.
class SourceDigests {
 public:
  /// Of a frame of a movie: of the movie, which is read once for all its frames, and of the place.
  Result<Source> of(const footage::FrameRef& frame);

 private:
  std::mutex mutex_;
  std::map<std::filesystem::path, Result<Source>> movies_;
};

}  // namespace trueplate::warp::detail
