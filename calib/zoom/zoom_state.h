#pragma once

#include <optional>

namespace trueplate::zoom {

/// How a lens is set.
struct ZoomState {
  std::optional<double> focal_mm = std::nullopt;  // as engraved; may be left out of a prime
  std::optional<double> focus_m = std::nullopt;   // from the image plane; infinity is legal
  std::optional<double> t_stop = std::nullopt;    // only where stations differ in it
};

}  // namespace trueplate::zoom
