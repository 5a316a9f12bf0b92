#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/lens/film_back.h"
#include "calib/lens/lens.h"
#include "warp/overscan.h"
#include "warp/resample.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// What a picture's edges are on the plane at distance 1 before the camera, seen from the camera: x
/// right, y UP, so bottom < top. No unit; the tangents of the angles to the optical axis.
struct UnitWindow {
  double left = 0.0;
  double right = 0.0;
  double bottom = 0.0;
  double top = 0.0;
};

/// A pinhole camera without lens distortion, for a picture of `size_px` whole pixels:
///     x_px = focal_px.x * X / Z + principal_point_px.x        (camera axes: X right, Y down,
///     y_px = focal_px.y * Y / Z + principal_point_px.y         Z forward)
/// from the picture's top-left corner, y down, the centre of pixel i at i + 0.5.
struct PinholeCamera {
  ImageSize size_px;
  Point2d focal_px = {0.0, 0.0};
  Point2d principal_point_px = {0.0, 0.0};

  /// Principal point less the middle of the picture, in pixels; x right, y down.
  [[nodiscard]] Point2d principal_offset_px() const;
  /// Width over height of what one pixel sees: focal_px.y / focal_px.x.
  [[nodiscard]] double pixel_aspect() const { return focal_px.y() / focal_px.x(); }
  [[nodiscard]] UnitWindow unit_window() const;
  /// Angles between the opposite edges, seen along the middle row and column of the axis.
  [[nodiscard]] Point2d field_of_view_deg() const;
};

/// The same in millimetres, with ONE focal length, as programs with a film back want it.
struct FilmCamera {
  double focal_mm = 0.0;  // horizontal: that of lens::focal_mm().x
  /// Film back that gives the picture with this focal length: size_px * focal_mm / focal_px, per
  /// axis. Of the plate its width is the lens's own; its height differs by the squeeze, and by the
  /// little that the measured pixels are not as described.
  lens::FilmBack film_back;
  /// Principal point less the middle of the picture; x right, y down.
  Point2d principal_offset_mm = {0.0, 0.0};
  /// Middle of the film back less the optical axis, on the film back as seen in the scene's
  /// orientation (in front of the pinhole); x right, y UP. The same fact as principal_offset_mm,
  /// seen from the axis: (-x, +y).
  Point2d window_shift_mm = {0.0, 0.0};
};

/// In which size one map expects its source and gives its output.
struct MapUse {
  FrameWindows source;  // 0..1 of s and t span source.display
  FrameWindows output;
};

/// What each department has to set for one lens and one plate. Windows are in file coordinates.
struct Handoff {
  lens::Lens lens;        // at the size of the plate, with the pinhole of the straight picture
  FrameWindows straight;  // display window: the plate's; data window: with overscan
  EdgePixels overscan_px;
  TOrigin t_origin = TOrigin::kBottomLeft;
  Filter filter = Filter::kCubic;

  /// For the solve: the straightened plate, cut to the display window.
  [[nodiscard]] PinholeCamera solve() const;
  /// For the render, and a solve on the whole straightened plate: the data window.
  [[nodiscard]] PinholeCamera render() const;
  /// The display window within the render, from its top-left corner.
  [[nodiscard]] Window crop() const;
  /// Width and height of the render over those of the plate.
  [[nodiscard]] Point2d overscan_factor() const;
  /// A camera of this hand-off in mm; nullopt for a lens without a film back.
  [[nodiscard]] std::optional<FilmCamera> film(const PinholeCamera& camera) const;
  /// focal_mm y over x: the squeeze as measured. nullopt for a lens without a film back.
  [[nodiscard]] std::optional<double> measured_squeeze() const;
  [[nodiscard]] MapUse use_of(MapDirection direction) const;
};

/// The hand-off that goes with make_undistort_map(lens, options): the same windows, the same
/// pinhole. `filter` is what the maps are to be used with. Errors: those of output_windows() and of
/// lens::validate().
Result<Handoff> make_handoff(const lens::Lens& lens, const MapOptions& options, Filter filter);

}  // namespace trueplate::warp
