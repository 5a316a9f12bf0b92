#pragma once

#include <map>
#include <mutex>
#include <string>

#include "calib/base/result.h"
#include "calib/base/sha256.h"
#include "calib/footage/frame_set.h"

namespace trueplate::detail {

/// Content hashes of the files of frames, each movie's only once. Safe from any thread.
class FrameHashes {
 public:
  Result<std::string> of(const footage::FrameRef& ref) {
    if (!ref.movie_frame) return sha256_of_file(ref.path);
    const std::lock_guard lock(mutex_);
    const auto known = of_movie_.find(ref.path.string());
    if (known != of_movie_.end()) return known->second;
    return of_movie_.emplace(ref.path.string(), sha256_of_file(ref.path)).first->second;
  }

 private:
  std::mutex mutex_;
  std::map<std::string, Result<std::string>> of_movie_;
};

}  // namespace trueplate::detail
