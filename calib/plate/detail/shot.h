#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/lens/lens.h"
#include "calib/plate/tracks.h"

namespace trueplate::plate::detail {

/// One point of a track, in the pixels in which the solver works: those of the plate, or of the
/// plate straightened by a profile.
struct Observation {
  int frame = 0;
  int track = 0;
  Point2d p_px = {0.0, 0.0};
  /// From a small shift in the solver's pixels to one on the plate, where errors are counted.
  Eigen::Matrix2d plate_from_solver = Eigen::Matrix2d::Identity();
};

/// What was measured, ready for solving.
struct Shot {
  ImageSize plate_size;
  Point2d centre_px = {0.0, 0.0};  // principal point
  double focal_ratio = 1.0;        // focal length in pixels, y over x
  int num_frames = 0;
  int num_tracks = 0;
  std::vector<Observation> observations;           // by frame, then by track
  std::vector<std::size_t> starts;                 // frame f has starts[f] .. starts[f + 1]
  std::vector<std::vector<std::size_t>> of_track;  // indices of observations, by frame
  std::vector<char> used;                          // of each observation: whether it takes part

  /// Lengths in pixels that this code names are for a plate of this width; wider plates' are
  /// longer in proportion.
  static constexpr double kReferenceWidth = 2048.0;
  [[nodiscard]] double scale() const { return plate_size.width / kReferenceWidth; }
};

/// The shot as tracked: no lens.
[[nodiscard]] Shot shot_of(const Tracks& tracks, ImageSize plate_size, double focal_ratio);

/// The shot straightened. Points where the lens has no inverse do not take part.
[[nodiscard]] Shot straightened_shot(const Tracks& tracks, const lens::Lens& lens);

/// A rotation vector, then a translation: X_camera = R X_world + t, in camera axes (x right, y
/// down, z forward).
using PoseVector = Eigen::Matrix<double, 6, 1>;
[[nodiscard]] Eigen::Matrix3d rotation_of(const PoseVector& pose);
[[nodiscard]] PoseVector pose_of(const Eigen::Matrix3d& rotation,
                                 const Eigen::Vector3d& translation);

/// The camera and what it sees, as far as they are known.
struct Scene {
  /// ln of the focal length in pixels along x, k1, k2, where an ideal point p is imaged to
  /// p (1 + k1 |p|^2 + k2 |p|^4) before the pinhole.
  Eigen::Vector3d intrinsics = Eigen::Vector3d::Zero();
  std::vector<std::optional<PoseVector>> poses;        // of each frame
  std::vector<std::optional<Eigen::Vector3d>> points;  // of each track

  [[nodiscard]] double focal_px() const;
};

/// Where the scene's camera sees a track's point, in the solver's pixels; nullopt when pose or
/// point are not known or the point is not in front.
[[nodiscard]] std::optional<Point2d> projected(const Shot& shot,
                                               const Scene& scene,
                                               int frame,
                                               int track);

/// Predicted minus measured, in plate pixels; nullopt as projected().
[[nodiscard]] std::optional<Point2d> residual_px(const Shot& shot,
                                                 const Scene& scene,
                                                 const Observation& observation);

/// Ideal point (plane z = 1) of an observation; nullopt where the radial terms have no inverse.
[[nodiscard]] std::vector<std::optional<Point2d>> ideal_points(const Shot& shot,
                                                               const Eigen::Vector3d& intrinsics);

/// Standard deviation per coordinate of what takes part in the frames that have poses, from the
/// median; 0 when there is nothing.
[[nodiscard]] double robust_sigma_px(const Shot& shot, const Scene& scene);

}  // namespace trueplate::plate::detail
