#include "calib/footage/frame_place.h"

#include <fmt/format.h>

namespace trueplate::footage {

std::string place_of(const FrameRef& frame) {
  const std::string path = frame.path.empty() ? frame.name : frame.path.string();
  return frame.movie_frame ? fmt::format("{}#{}", path, *frame.movie_frame + 1) : path;
}

}  // namespace trueplate::footage
