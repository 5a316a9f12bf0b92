#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/lens/film_back.h"
#include "calib/lens/model.h"

namespace trueplate::lens {

/// One lens state as seen by one plate format: the pinhole and the distortion.
///
/// Plate pixels: origin at the top-left corner of the display window, x right, y down, the centre
/// of pixel i at i + 0.5. The straightened (undistorted) picture uses the same pixel frame, focal
/// length and principal point:
///     p_undistorted_px = focal_px * p_ideal + principal_point_px
///     p_plate_px       = focal_px * distort(p_ideal) + principal_point_px      (per axis)
struct Lens {
  ImageSize plate_size;               // the display window
  double pixel_aspect = 1.0;          // width / height of one pixel when shown correctly
  double squeeze = 1.0;               // anamorphic ratio of the lens; a label, see focal_px
  std::optional<FilmBack> film_back;  // without it there is no focal length in mm
  Point2d focal_px = {0.0, 0.0};      // x and y; their ratio carries squeeze and pixel aspect
  Point2d principal_point_px = {0.0, 0.0};
  Model model;
};

/// Checks that every number is finite and in its range (sizes, focal length and aspect above zero).
Result<void> validate(const Lens& lens);

/// focal_px * film back / plate size, per axis, in mm; nullopt without a film back. x is the
/// pinhole focal length of the trade's formula focal_px.x = focal_mm * width_px / width_mm; for an
/// anamorphic lens y / x is the squeeze that was measured.
[[nodiscard]] std::optional<Point2d> focal_mm(const Lens& lens);

/// Plate pixels of an ideal point's pinhole image, and back.
[[nodiscard]] Point2d px_from_ideal(const Lens& lens, const Point2d& p_ideal);
[[nodiscard]] Point2d ideal_from_px(const Lens& lens, const Point2d& p_px);

/// From the straightened picture to the plate: nullopt outside the model's domain.
[[nodiscard]] std::optional<Point2d> distort_px(const Lens& lens, const Point2d& p_undistorted_px);

/// From the plate to the straightened picture: nullopt where the lens has no inverse.
[[nodiscard]] std::optional<Point2d> undistort_px(const Lens& lens, const Point2d& p_plate_px);

/// The share of the plate's border that has an inverse, 0..1; 1 means that the whole plate
/// can be straightened. Sampled once per pixel along the four edges.
[[nodiscard]] double invertible_share_of_border(const Lens& lens);

/// The same lens for a plate scaled to `size` (both axes independently): focal length, principal
/// point and film back stay physically the same, coefficients do not change.
[[nodiscard]] Lens scaled_to(const Lens& lens, ImageSize size);

/// The lens for a picture of `size`: itself, or scaled_to() when `size` is the plate resized, one
/// side following from the other within the rounding to whole pixels. Anything else is an error
/// that names both sizes: nobody can tell whether such a picture was cropped, padded or squeezed.
Result<Lens> for_picture_of(const Lens& lens, ImageSize size);

}  // namespace trueplate::lens
