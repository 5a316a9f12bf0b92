#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "warp/st_map.h"

namespace trueplate::warp::detail {

/// The centre of pixel (column, row) of a data window, from the top-left corner of the display
/// window.
[[nodiscard]] Point2d pixel_centre(const FrameWindows& windows, int column, int row);

/// Where a pixel of a map looks, in source pixels; NaN where there is no source.
[[nodiscard]] Point2d position_at(const StMap& map, int column, int row);
/// Lets it look there; nullopt: no source.
void set_position(StMap& map, int column, int row, const std::optional<Point2d>& position_px);

/// A map of these windows, to be filled. Errors: a side below 1 or above kMaxImageSide.
Result<StMap> empty_map(const FrameWindows& output,
                        const Window& source_display,
                        TOrigin origin,
                        MapDirection direction);

}  // namespace trueplate::warp::detail
