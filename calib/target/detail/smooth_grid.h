#pragma once

#include <Eigen/Core>
#include <optional>
#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::target::detail {

/// One crossing of the grid (column, row) and where it was seen.
struct GridPoint {
  int column = 0;
  int row = 0;
  Point2d p_px = {0.0, 0.0};
};

/// A smooth map from grid coordinates to the image: a homography followed by a polynomial in its
/// result, up to degree 3 when the points carry it (at least 24, 4 columns and 4 rows), degree 2
/// (12 points, 3 x 3), else the homography alone. A flat chart through a lens with moderate
/// distortion follows it to a small fraction of a pixel, so what departs from it is an error of
/// a single corner. Points that do not fit are given less weight (Huber).
class SmoothGrid {
 public:
  /// Nullopt for fewer than 4 points, or points that all but lie on a line. `most_degree` limits
  /// the polynomial: 0, the homography alone, goes least astray beyond the points.
  static std::optional<SmoothGrid> fit(const std::vector<GridPoint>& points, int most_degree = 3);

  [[nodiscard]] Point2d at(double column, double row) const;
  /// Derivatives of at() along a row and along a column.
  [[nodiscard]] Point2d step_u(double column, double row) const;
  [[nodiscard]] Point2d step_v(double column, double row) const;
  /// Curvature of the image of a row, 1/px, positive towards growing rows; the same for a column,
  /// positive towards growing columns. As SaddleGuess wants them.
  [[nodiscard]] double curvature_u(double column, double row) const;
  [[nodiscard]] double curvature_v(double column, double row) const;
  /// Median distance of the points from the map, px.
  [[nodiscard]] double median_residual_px() const { return median_residual_px_; }

 private:
  [[nodiscard]] Point2d project(double column, double row) const;

  Eigen::Matrix3d homography_ = Eigen::Matrix3d::Identity();
  Point2d center_px_ = {0.0, 0.0};  // of the projected points: the polynomial's origin
  double scale_px_ = 1.0;           // and unit
  int degree_ = 0;
  Eigen::Matrix<double, 10, 2> polynomial_ = Eigen::Matrix<double, 10, 2>::Zero();
  double median_residual_px_ = 0.0;
};

}  // namespace trueplate::target::detail
