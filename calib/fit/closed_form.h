#pragma once

#include <Eigen/Core>
#include <optional>
#include <span>
#include <string_view>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/result.h"
#include "calib/target/view.h"

namespace trueplate::fit {

/// Where the chart stands in front of the camera: p_camera = rotation * p_chart + translation_mm.
/// Camera axes: x right, y down, z forward.
struct Pose {
  Eigen::Matrix3d rotation = Eigen::Matrix3d::Identity();
  Eigen::Vector3d translation_mm = {0.0, 0.0, 0.0};
};

/// A camera without distortion: p_plate_px = focal_px * p_ideal + principal_point_px, per axis.
struct Pinhole {
  Point2d focal_px = {0.0, 0.0};
  Point2d principal_point_px = {0.0, 0.0};
};

/// The homography H of a view of a flat chart, lambda (x_px, y_px, 1)^T = H (X_mm, Y_mm, 1)^T, of
/// unit Frobenius norm, its sign such that the chart lies in front of the camera.
///
/// Direct linear transform on normalised coordinates (both point sets moved to mean 0 and scaled to
/// a mean distance of sqrt 2; R. I. Hartley, In Defense of the Eight-Point Algorithm, IEEE PAMI
/// 19(6), 1997), refined by reweighting so that single wrong corners count little. X and Y are the
/// first two chart coordinates; z is ignored.
///
/// Errors (kInvalidInput): fewer than four corners, non-finite numbers, corners on one line, on
/// the chart or on the plate.
Result<Eigen::Matrix3d> homography_of(std::span<const target::Corner> corners);

/// How a starting pinhole was come by, the most informed first.
enum class StartMethod {
  kClosedForm,  // Zhang: focal length x and y and principal point, all from the homographies
  kCentred,     // principal point at the plate's centre, focal length x and y from homographies
  kCentredOneFocal,  // also the ratio of focal lengths as expected: one number, median of the views
  kGiven,            // the focal length that the caller named
  kGuess,            // one of a ladder of common focal lengths
};
[[nodiscard]] std::string_view start_method_name(StartMethod method);

struct StartOptions {
  ImageSize plate_size;
  std::optional<Point2d> focal_px =
      std::nullopt;          // a candidate from outside, such as the number on the barrel
  double focal_ratio = 1.0;  // expected focal_px.x / focal_px.y
};

struct StartPinhole {
  Pinhole pinhole;
  StartMethod method = StartMethod::kGuess;
};

/// Zhang's closed form with zero skew (Z. Zhang, A Flexible New Technique for Camera Calibration,
/// IEEE PAMI 22(11) 1330-1334, 2000), from at least two homographies of differently tilted views.
/// nullopt when the image of the absolute conic comes out not positive definite or the result lies
/// off the plate or beyond all reason, which happens when the views are few or square-on.
[[nodiscard]] std::optional<Pinhole> zhang_closed_form(
    std::span<const Eigen::Matrix3d> plate_from_chart, ImageSize plate_size);

/// Starts for the fit, the most promising first: ordered by how well they explain the homographies
/// (the median over views of how far r1 and r2 are from orthogonal and equally long), simpler ones
/// preferred where they are nearly as good; the guesses last. Never empty for one or more
/// homographies.
[[nodiscard]] std::vector<StartPinhole> start_candidates(
    std::span<const Eigen::Matrix3d> plate_from_chart, const StartOptions& options);

/// Pose of a view from its homography (FORMULAS: r1, r2, t from A^-1 H; the nearest rotation by
/// singular value decomposition).
[[nodiscard]] Pose pose_from_homography(const Eigen::Matrix3d& plate_from_chart,
                                        const Pinhole& pinhole);

}  // namespace trueplate::fit
