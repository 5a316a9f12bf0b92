#pragma once

#include <string>

#include "calib/footage/frame_set.h"

namespace trueplate::footage {

/// Where a frame is, for messages: its path, and in a movie `PATH#NUMBER`.
[[nodiscard]] std::string place_of(const FrameRef& frame);

}  // namespace trueplate::footage
