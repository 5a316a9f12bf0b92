#pragma once

#include <optional>

#include "calib/base/geometry.h"
#include "calib/lens/lens.h"

namespace trueplate::lens {

/// Distortion at one point of the plate, after ISO 9039: the actual image height minus the ideal
/// one. Image height is the distance from the principal point, in pixels of the plate's height
/// (horizontal distances are multiplied by the pixel aspect). Negative is barrel distortion.
struct PointDistortion {
  double ideal_height_px = 0.0;
  double actual_height_px = 0.0;

  [[nodiscard]] double shift_px() const { return actual_height_px - ideal_height_px; }
  /// (actual - ideal) / ideal, in percent.
  [[nodiscard]] double percent() const { return 100.0 * shift_px() / ideal_height_px; }
};

/// Distortion where the lens images to p_plate_px; nullopt where it has no inverse and at the
/// principal point itself, where the ratio means nothing.
[[nodiscard]] std::optional<PointDistortion> point_distortion(const Lens& lens,
                                                              const Point2d& p_plate_px);

/// The largest (by percent) of the distortions at the four corners of the display window, at the
/// middle of its left and right edges, and at the middle of its top and bottom edges. nullopt where
/// one of the points has no inverse.
struct FrameDistortion {
  std::optional<PointDistortion> corner;
  std::optional<PointDistortion> side_edge;
  std::optional<PointDistortion> top_edge;
};
[[nodiscard]] FrameDistortion frame_distortion(const Lens& lens);

/// The corner of the display window that is distorted most, by percent; where none has an inverse,
/// the first.
[[nodiscard]] Point2d most_distorted_corner(const Lens& lens);

/// The mean of the four corners' distortions in percent, which changes evenly with the lens where
/// the corner that is distorted most becomes another one. nullopt where one has no inverse.
[[nodiscard]] std::optional<double> mean_corner_percent(const Lens& lens);

/// Picture height distortion in percent: how far straight horizontal lines along the top and bottom
/// of the frame bend. The two lines are those that pass through the middle of the top and the
/// bottom edge and are horizontal in the straightened picture.
struct PictureHeightDistortion {
  /// Bend over picture height: 100 (A - B) / (2 B), EBU Tech 3249, 1995, section 2.11, where B is
  /// the picture height and A the mean distance of the two imaged lines at the left and right edge.
  double ebu_percent = 0.0;
  /// 100 (A - B) / B, the SMIA form; twice the EBU figure. Always say which is meant.
  double smia_percent = 0.0;
};

/// nullopt when one of the lines leaves the domain of the lens before it reaches the frame's edge.
[[nodiscard]] std::optional<PictureHeightDistortion> picture_height_distortion(const Lens& lens);

/// How much larger than the plate the straightened picture is, as one factor for both axes (1 = not
/// larger): twice the largest distance of a straightened border point from the frame's centre, over
/// the frame's size, the larger of the two axes (OpenLensIO 1.0.0, 2025, equations 23 and 24).
/// nullopt when part of the border has no inverse.
[[nodiscard]] std::optional<double> overscan_factor(const Lens& lens);

/// Horizontal and vertical angle of view in degrees, through the principal point.
struct FieldOfView {
  double horizontal_deg = 0.0;
  double vertical_deg = 0.0;
};

/// Of the straightened picture of the plate's size, a pinhole: what a computer graphics camera is
/// set to.
[[nodiscard]] FieldOfView straight_field_of_view(const Lens& lens);

/// Of the photographed plate, distortion included; nullopt where the edges have no inverse.
[[nodiscard]] std::optional<FieldOfView> plate_field_of_view(const Lens& lens);

}  // namespace trueplate::lens
