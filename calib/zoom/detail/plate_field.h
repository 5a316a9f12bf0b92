#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/lens/lens.h"

namespace trueplate::zoom::detail {

/// A lens as numbers that change smoothly with focal length and focus, whatever its model: where
/// the straight picture has what the plate has at fixed nodes, less the node (x of all nodes, then
/// y; pixels), then the pinhole: logarithm of focal x and y (pixels), principal point x and y
/// (pixels), and the entrance pupil offset (mm; NaN where not known).
///
/// Displacements in pixels of the plate, and not directions: at another focal length the direction
/// of a node is another altogether, but its displacement nearly the same. The logarithm, because
/// an error of a station's focal length goes with one of its displacements that is proportional to
/// it, and both then cancel in the directions that come out between stations.
class PlateField {
 public:
  /// Nodes all over the plate of `lenses`, its edges and corners among them, where every one of the
  /// lenses has an inverse. The lenses must be of one plate size; `num_nodes()` may be 0.
  explicit PlateField(const std::vector<lens::Lens>& lenses);

  [[nodiscard]] Eigen::Index num_nodes() const { return nodes_px_.cols(); }
  [[nodiscard]] Eigen::Index dimension() const { return 2 * num_nodes() + 5; }
  /// The last numbers, principal point and entrance pupil, which a calibration tells least well:
  /// for them a curve that hardly amplifies noise is better than one that limits it, which jerks
  /// from frame to frame (MonotoneSpline::calm_weights).
  static constexpr Eigen::Index kNumFree = 3;
  [[nodiscard]] const Eigen::Matrix2Xd& nodes_px() const { return nodes_px_; }

  /// The numbers of a lens that has an inverse at all nodes.
  [[nodiscard]] Eigen::VectorXd numbers_of(const lens::Lens& lens,
                                           std::optional<double> entrance_pupil_mm) const;

  // Of such numbers:
  [[nodiscard]] Point2d focal_px(const Eigen::VectorXd& numbers) const;
  [[nodiscard]] Point2d principal_point_px(const Eigen::VectorXd& numbers) const;
  [[nodiscard]] std::optional<double> entrance_pupil_mm(const Eigen::VectorXd& numbers) const;
  [[nodiscard]] Eigen::Matrix2Xd straight_px(const Eigen::VectorXd& numbers) const;
  /// Directions of the nodes, on the plane z = 1.
  [[nodiscard]] Eigen::Matrix2Xd ideal(const Eigen::VectorXd& numbers) const;

 private:
  Eigen::Matrix2Xd nodes_px_;
};

/// How two lenses differ: by how much the plate positions of rays do, root mean square and largest
/// over the nodes, in pixels, after the rotation and the common change of focal length that a
/// camera solve absorbs; and the focal lengths, as a share.
struct FieldDifference {
  double rms_px = 0.0;
  double max_px = 0.0;
  double focal_share = 0.0;

  friend FieldDifference operator*(double factor, const FieldDifference& d) {
    return {factor * d.rms_px, factor * d.max_px, factor * d.focal_share};
  }
};
[[nodiscard]] FieldDifference larger(const FieldDifference& a, const FieldDifference& b);
[[nodiscard]] FieldDifference root_sum(const FieldDifference& a, const FieldDifference& b);

[[nodiscard]] FieldDifference difference_of(const PlateField& field,
                                            const Eigen::VectorXd& a,
                                            const Eigen::VectorXd& b);

}  // namespace trueplate::zoom::detail
