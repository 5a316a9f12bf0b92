#pragma once

#include <algorithm>
#include <span>

#include "calib/base/parallel.h"
#include "warp/detail/map_slopes.h"
#include "warp/detail/place_rows.h"
#include "warp/detail/resample_plain.h"
#include "warp/passes.h"

namespace trueplate::warp::detail {

/// Checks what all passes have in common and calls body(lookup, scaled map, i, j, pixel of
/// `output`) for every output pixel, i and j being its column and row in the map.
template <class Body>
Result<void> for_each_pixel(const SourcePicture& source,
                            const StMap& map,
                            const PassOptions& options,
                            ImageView<float> output,
                            const Body& body) {
  if (Result<void> checked = validate(map); !checked) return checked;
  if (Result<void> checked =
          check_pictures(source, map.output.data.size(), options.first_row, output);
      !checked) {
    return checked;
  }
  const int first_row = options.first_row.value_or(0);
  const LookupSource lookup = lookup_source(source, options.edge);
  const ScaledMap scaled{map, st_scale(source.windows.display.size(), map.t_origin)};
  parallel_rows(output.height, options.threads, [&](int begin, int end) {
    for (int row = begin; row < end; ++row) {
      float* pixel = output.row(row);
      for (int i = 0; i < output.width; ++i, pixel += output.channels) {
        body(lookup, scaled, i, first_row + row, pixel);
      }
    }
  });
  return {};
}

/// Where an output pixel looks: the nearest stored pixel (-1: none) and the distances from the
/// first pixel centre.
struct Place {
  int x;
  int y;
  double u;
  double v;

  [[nodiscard]] bool exists() const { return x >= 0 && y >= 0; }
};

/// for_each_pixel() with the place found: body(lookup, scaled map, place, i, j, pixel of `output`).
template <class Body>
Result<void> for_each_place(const SourcePicture& source,
                            const StMap& map,
                            const PassOptions& options,
                            ImageView<float> output,
                            const Body& body) {
  if (Result<void> checked = validate(map); !checked) return checked;
  if (Result<void> checked =
          check_pictures(source, map.output.data.size(), options.first_row, output);
      !checked) {
    return checked;
  }
  const int first_row = options.first_row.value_or(0);
  const LookupSource lookup = lookup_source(source, options.edge);
  const ScaledMap scaled{map, st_scale(source.windows.display.size(), map.t_origin)};
  constexpr int kBlock = NearestPlaces::kBlock;
  const auto body_of_row = [&](int row, NearestPlaces& places) {
    const int j = first_row + row;
    float* pixel = output.row(row);
    for (int begin = 0; begin < output.width; begin += kBlock) {
      const int count = std::min(kBlock, output.width - begin);
      const float* st = map.st.row(j) + 2 * static_cast<std::ptrdiff_t>(begin);
      find_nearest(lookup, scaled.scale, {st, 2 * static_cast<std::size_t>(count)}, places);
      for (int i = 0; i < count; ++i, pixel += output.channels) {
        const Place place{places.x[i], places.y[i], places.u[i], places.v[i]};
        body(lookup, scaled, place, begin + i, j, pixel);
      }
    }
  };
  parallel_rows(output.height, options.threads, [&](int begin, int end) {
    NearestPlaces places;
    for (int row = begin; row < end; ++row) body_of_row(row, places);
  });
  return {};
}

/// The values of `channels` by look_up_surface().
void surface_values(const LookupSource& source,
                    const Place& place,
                    std::span<const int> channels,
                    std::span<double> values);

}  // namespace trueplate::warp::detail
