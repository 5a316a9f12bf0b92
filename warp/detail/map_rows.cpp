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
  lens::Lens sized = size == lens.plate_size ? lens : lens::scaled_to(lens, size);
  if (!options.straight) return MapRows(std::move(sized), std::nullopt, direction, *windows);
  const Point2d scale = sized.focal_px.cwiseQuotient(lens.focal_px);
  const StraightPinhole straight{scale.cwiseProduct(options.straight->focal_px),
                                 scale.cwiseProduct(options.straight->principal_point_px)};
  if (direction == MapDirection::kRedistort) {
    return MapRows(std::move(sized), straight, direction, *windows);
  }
  // The rays of the straight picture; where they land on the plate follows from the lens's pinhole.
  const StraightPinhole plate{sized.focal_px, sized.principal_point_px};
  sized.focal_px = straight.focal_px;
  sized.principal_point_px = straight.principal_point_px;
  return MapRows(std::move(sized), plate, direction, *windows);
}

void MapRows::positions(int row, int column, std::span<double> x_px, std::span<double> y_px) const {
  const double x0_px = windows_.data.x - windows_.display.x + column + 0.5;
  const double y0_px = windows_.data.y - windows_.display.y + row + 0.5;
  if (direction_ == MapDirection::kUndistort) {
    lens::distort_row(lens_, x0_px, y0_px, x_px, y_px);
  } else {
    lens::undistort_row(lens_, x0_px, y0_px, x_px, y_px);
  }
  if (!lands_on_) return;
  const Point2d scale = lands_on_->focal_px.cwiseQuotient(lens_.focal_px);
  const Point2d offset =
      lands_on_->principal_point_px - scale.cwiseProduct(lens_.principal_point_px);
  for (double& x : x_px) x = scale.x() * x + offset.x();
  for (double& y : y_px) y = scale.y() * y + offset.y();
}

}  // namespace trueplate::warp::detail
