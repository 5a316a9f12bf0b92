#pragma once

#include <array>
#include <optional>
#include <span>

#include "calib/footage/frame.h"

namespace trueplate::footage::detail {

/// Which channels of a frame are the picture people look at. R, G, B; without them Y; without that
/// the first layer that has .R .G .B; or the only channel there is.
struct PictureChannels {
  std::array<int, 3> rgb = {0, 0, 0};  // three times the same for one channel
  int alpha = -1;                      // the A of the same layer; -1: none

  [[nodiscard]] bool is_gray() const { return rgb[0] == rgb[1]; }
};

[[nodiscard]] std::optional<PictureChannels> picture_channels(std::span<const Channel> channels);

}  // namespace trueplate::footage::detail
