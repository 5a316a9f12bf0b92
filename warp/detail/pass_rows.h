#pragma once

#include <cmath>
#include <span>

#include "calib/base/parallel.h"
#include "warp/detail/map_slopes.h"
#include "warp/detail/resample_plain.h"
#include "warp/passes.h"

namespace trueplate::warp::detail {

/// Rounding of the weights alone takes the alpha of an opaque picture less than this beyond 1.
inline constexpr float kAlphaRounding = 1e-6F;

/// The pixel a distance from the first pixel centre lies in, as stored; -1: none.
inline int nearest_index(Edge edge, double u, int size) {
  constexpr double kFarthest = 1e9;  // beyond it, and for NaN, there is none
  if (!(std::abs(u) < kFarthest)) return -1;
  // std::floor() is a call on processors that have no instruction for it.
  const int cut = static_cast<int>(u + 0.5);
  return stored_index(edge, cut - (u + 0.5 < cut ? 1 : 0), size);
}

/// Checks what all passes have in common and calls body(lookup, scaled map, i, j, pixel of
/// `output`) for every output pixel.
template <class Body>
Result<void> for_each_pixel(const SourcePicture& source,
                            const StMap& map,
                            Edge edge,
                            int threads,
                            ImageView<float> output,
                            const Body& body) {
  if (Result<void> checked = validate(map); !checked) return checked;
  if (Result<void> checked = check_pictures(source, map.output.data.size(), output); !checked) {
    return checked;
  }
  const LookupSource lookup = lookup_source(source, edge);
  const ScaledMap scaled{map, st_scale(source.windows.display.size(), map.t_origin)};
  parallel_rows(output.height, threads, [&](int begin, int end) {
    for (int j = begin; j < end; ++j) {
      float* pixel = output.row(j);
      for (int i = 0; i < output.width; ++i, pixel += output.channels) {
        body(lookup, scaled, i, j, pixel);
      }
    }
  });
  return {};
}

/// The values of `channels` by look_up_surface(), at distances u, v from the first pixel centre.
void surface_values(const LookupSource& source,
                    double u,
                    double v,
                    std::span<const int> channels,
                    std::span<double> values);

}  // namespace trueplate::warp::detail
