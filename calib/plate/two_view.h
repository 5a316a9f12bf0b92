#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <span>
#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::plate {

/// One feature in two pictures.
struct PointPair {
  Point2d first = {0.0, 0.0};
  Point2d second = {0.0, 0.0};
};

/// How the second camera stands to the first: X2 = rotation X1 + translation, in camera axes (x
/// right, y down, z forward). Two pictures leave the length of the translation open; it is 1.
struct RelativePose {
  Eigen::Matrix3d rotation = Eigen::Matrix3d::Identity();
  Eigen::Vector3d translation = Eigen::Vector3d::UnitX();
};

/// The matrix F of rank 2 with second^T F first = 0, Frobenius norm 1, of at least eight pairs in
/// any unit: H. C. Longuet-Higgins, Nature 293, 1981, with the points normalised after R. I.
/// Hartley, In Defense of the Eight-Point Algorithm, PAMI 19(6), 1997. nullopt for fewer pairs and
/// for points that coincide.
[[nodiscard]] std::optional<Eigen::Matrix3d> fundamental_eight_point(
    std::span<const PointPair> pairs);

/// The essential matrices, up to ten, that five pairs of ideal points (plane z = 1) allow: E =
/// [t]x R, second^T E first = 0, Frobenius norm sqrt 2. The constraints are those of D. Nister, An
/// Efficient Solution to the Five-Point Relative Pose Problem, PAMI 26(6), 2004; solved as the
/// eigenvalue problem of H. Stewenius, C. Engels and D. Nister, Recent Developments on Direct
/// Relative Orientation, ISPRS J. 60, 2006 (both from memory). Empty when the five are degenerate.
[[nodiscard]] std::vector<Eigen::Matrix3d> essential_five_point(
    std::span<const PointPair, 5> pairs);

/// The squared distance of a pair from satisfying second^T F first = 0, to first order, in the
/// points' unit (P. D. Sampson, Computer Graphics and Image Processing 18, 1982).
[[nodiscard]] double sampson_squared(const Eigen::Matrix3d& f, const PointPair& pair);

/// The four poses whose essential matrix is `e` up to scale and sign.
[[nodiscard]] std::array<RelativePose, 4> relative_poses(const Eigen::Matrix3d& e);

/// That of the four which has most pairs in front of both cameras.
struct RecoveredPose {
  RelativePose pose;
  int num_in_front = 0;
};
[[nodiscard]] RecoveredPose recover_pose(const Eigen::Matrix3d& e,
                                         std::span<const PointPair> pairs);

/// A model of two pictures, most of whose pairs fit it. Found without a threshold, since that would
/// have to know the lens' error: the least quantile of squares over random samples, at which up to
/// half of the pairs may be wrong (P. J. Rousseeuw, Least Median of Squares Regression, J. Am.
/// Stat. Assoc. 79, 1984). The same pairs give the same answer.
struct RobustModel {
  Eigen::Matrix3d matrix = Eigen::Matrix3d::Identity();
  /// Of what the model measures: Sampson's distance for an essential matrix, the length of the
  /// error in the second picture for a homography and a rotation; root mean square of the inliers,
  /// corrected for the model's freedom.
  double rms = 0.0;
  std::vector<char> is_inlier;  // of each pair
};

/// Of at least six pairs of ideal points.
[[nodiscard]] std::optional<RobustModel> robust_essential(std::span<const PointPair> pairs);

/// H with second ~ H first, of at least five pairs: pictures of a plane, or of a turned camera.
[[nodiscard]] std::optional<RobustModel> robust_homography(std::span<const PointPair> pairs);

/// R with second ~ R first, of at least three pairs of ideal points.
[[nodiscard]] std::optional<RobustModel> robust_rotation(std::span<const PointPair> pairs);

}  // namespace trueplate::plate
