#include "warp/detail/map_pixels.h"

#include <fmt/format.h>

#include <limits>

namespace trueplate::warp::detail {

Point2d pixel_centre(const FrameWindows& windows, int column, int row) {
  return {column + windows.data.x - windows.display.x + 0.5,
          row + windows.data.y - windows.display.y + 0.5};
}

Point2d position_at(const StMap& map, int column, int row) {
  const float* value = map.st.row(row) + std::ptrdiff_t{2} * column;
  return position_from_st(Point2d(value[0], value[1]), map.source_display.size(), map.t_origin);
}

void set_position(StMap& map, int column, int row, const std::optional<Point2d>& position_px) {
  constexpr float kNone = std::numeric_limits<float>::quiet_NaN();
  float* value = map.st.row(row) + std::ptrdiff_t{2} * column;
  value[0] = value[1] = kNone;
  if (!position_px) return;
  const Point2d st = st_from_position(*position_px, map.source_display.size(), map.t_origin);
  value[0] = static_cast<float>(st.x());
  value[1] = static_cast<float>(st.y());
}

Result<StMap> empty_map(const FrameWindows& output,
                        const Window& source_display,
                        TOrigin origin,
                        MapDirection direction) {
  for (const int side : {output.data.width, output.data.height}) {
    if (side >= 1 && side <= kMaxImageSide) continue;
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a map of {}x{} pixels, wanted sides of 1 to {}",
                            output.data.width,
                            output.data.height,
                            kMaxImageSide));
  }
  StMap map;
  map.output = output;
  map.source_display = source_display;
  map.t_origin = origin;
  map.direction = direction;
  map.st = Image<float>(output.data.width, output.data.height, 2);
  return map;
}

}  // namespace trueplate::warp::detail
