#include "warp/detail/map_rows.h"

#include "calib/lens/rows.h"

namespace trueplate::warp::detail {

Result<MapRows> MapRows::create(const lens::Lens& lens,
                                MapDirection direction,
                                const MapOptions& options) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  const Result<FrameWindows> windows = output_windows(lens, options);
  if (!windows) return fail(windows.error());
  const ImageSize size = windows->display.size();
  return MapRows(size == lens.plate_size ? lens : lens::scaled_to(lens, size), direction, *windows);
}

void MapRows::positions(int row, int column, std::span<double> x_px, std::span<double> y_px) const {
  const double x0_px = windows_.data.x - windows_.display.x + column + 0.5;
  const double y0_px = windows_.data.y - windows_.display.y + row + 0.5;
  if (direction_ == MapDirection::kUndistort) {
    lens::distort_row(lens_, x0_px, y0_px, x_px, y_px);
  } else {
    lens::undistort_row(lens_, x0_px, y0_px, x_px, y_px);
  }
}

}  // namespace trueplate::warp::detail
