#include "warp/handoff.h"

#include <cmath>
#include <numbers>
#include <utility>

namespace trueplate::warp {
namespace {

Point2d extent(ImageSize size) { return {size.width, size.height}; }

double degrees_between(double from_tangent, double to_tangent) {
  return (std::atan(to_tangent) - std::atan(from_tangent)) * 180.0 / std::numbers::pi;
}

/// The camera of a part of the straight picture; `part` and `display` in the same coordinates.
PinholeCamera camera_of(const lens::Lens& lens, const Window& part, const Window& display) {
  return {.size_px = part.size(),
          .focal_px = lens.focal_px,
          .principal_point_px =
              lens.principal_point_px - Point2d(static_cast<double>(part.x) - display.x,
                                                static_cast<double>(part.y) - display.y)};
}

}  // namespace

Point2d PinholeCamera::principal_offset_px() const {
  return principal_point_px - 0.5 * extent(size_px);
}

UnitWindow PinholeCamera::unit_window() const {
  const Point2d near = -principal_point_px.cwiseQuotient(focal_px);
  const Point2d far = (extent(size_px) - principal_point_px).cwiseQuotient(focal_px);
  return {.left = near.x(), .right = far.x(), .bottom = -far.y(), .top = -near.y()};
}

Point2d PinholeCamera::field_of_view_deg() const {
  const UnitWindow window = unit_window();
  return {degrees_between(window.left, window.right), degrees_between(window.bottom, window.top)};
}

PinholeCamera Handoff::solve() const { return camera_of(lens, straight.display, straight.display); }

PinholeCamera Handoff::render() const { return camera_of(lens, straight.data, straight.display); }

Window Handoff::crop() const {
  return {.x = overscan_px.left,
          .y = overscan_px.top,
          .width = straight.display.width,
          .height = straight.display.height};
}

Point2d Handoff::overscan_factor() const {
  return extent(straight.data.size()).cwiseQuotient(extent(straight.display.size()));
}

std::optional<FilmCamera> Handoff::film(const PinholeCamera& camera) const {
  const std::optional<Point2d> focal_mm = lens::focal_mm(lens);
  if (!focal_mm) return std::nullopt;
  FilmCamera film;
  film.focal_mm = focal_mm->x();
  const Point2d mm_per_px = film.focal_mm * camera.focal_px.cwiseInverse();
  const Point2d film_back = extent(camera.size_px).cwiseProduct(mm_per_px);
  film.film_back = {.width_mm = film_back.x(), .height_mm = film_back.y()};
  film.principal_offset_mm = camera.principal_offset_px().cwiseProduct(mm_per_px);
  film.window_shift_mm = {-film.principal_offset_mm.x(), film.principal_offset_mm.y()};
  return film;
}

std::optional<double> Handoff::measured_squeeze() const {
  const std::optional<Point2d> focal_mm = lens::focal_mm(lens);
  if (!focal_mm) return std::nullopt;
  return focal_mm->y() / focal_mm->x();
}

MapUse Handoff::use_of(MapDirection direction) const {
  const FrameWindows plate{.display = straight.display, .data = straight.display};
  if (direction == MapDirection::kUndistort) return {.source = plate, .output = straight};
  return {.source = straight, .output = plate};
}

Result<Handoff> make_handoff(const lens::Lens& lens, const MapOptions& options, Filter filter) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  const Result<FrameWindows> windows = output_windows(lens, options);
  if (!windows) return fail(windows.error());
  lens::Lens straight = lens;
  if (options.straight) {
    straight.focal_px = options.straight->focal_px;
    straight.principal_point_px = options.straight->principal_point_px;
  }
  const ImageSize size = windows->display.size();
  if (size != lens.plate_size) straight = lens::scaled_to(straight, size);
  return Handoff{.lens = std::move(straight),
                 .straight = *windows,
                 .overscan_px = options.overscan_px,
                 .t_origin = options.t_origin,
                 .filter = filter};
}

}  // namespace trueplate::warp
