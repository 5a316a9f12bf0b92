#pragma once

#include <cstddef>
#include <string_view>

#include "calib/base/result.h"
#include "calib/footage/frame.h"

namespace trueplate::warp::detail {

/// Where in a file s and t stand.
struct MapChannels {
  std::size_t part = 0;
  std::size_t s = 0;
  std::size_t t = 0;
};

/// By `wanted`: empty, R and G of the first part; `S,T`, two channels by name; else the layer or
/// part of that name, of which R and G, x and y, u and v or s and t are taken (in capitals too), or
/// the only two it has, by the alphabet. A name may be preceded by that of its part and a dot.
/// Errors  kUnsupported: no such channels, with those there are; integers; s and t the same.
Result<MapChannels> find_map_channels(const footage::Frame& frame, std::string_view wanted);

}  // namespace trueplate::warp::detail
