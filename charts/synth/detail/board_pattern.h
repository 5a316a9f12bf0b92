#pragma once

#include <Eigen/Geometry>
#include <array>
#include <vector>

#include "calib/target/chart.h"

namespace trueplate::synth::detail {

/// A pinhole's view of the plane of the print, homogeneous: for the ideal point (x, y) the vector
/// h = matrix * (x, y, 1) is (X w, Y w, w) with X, Y in squares from the first inner corner; w > 0
/// where the ray meets the plane in front of the camera.
struct BoardPlane {
  Eigen::Matrix3d h_from_ideal;
  bool printed_side = true;

  BoardPlane(const Eigen::Isometry3d& camera_from_chart, double pitch_mm);
};

/// Mean over a cell and first moments about the cell's centre, the cell being one wide and high.
struct Moments {
  double mean = 0.0;
  double x = 0.0;
  double y = 0.0;
};

/// What a cell of the picture holds of the board.
struct BoardLight {
  Moments share;  // of the cell's area
  Moments light;  // luminance of the board, zero off the board
};

/// The print as a function of place, integrated exactly over convex cells of the picture.
class BoardPattern {
 public:
  BoardPattern(const target::Chart& chart, double border_squares, double white, double black);

  /// The integral over a cell, given the homogeneous places (BoardPlane) of its corners in order
  /// around the cell. Between corners places run linearly.
  [[nodiscard]] BoardLight integrate(const std::array<Eigen::Vector3d, 4>& corners) const;

  /// Whether the four corners lie in the same square (or all off the board), so that the cell is
  /// uniform; *light is then its content.
  [[nodiscard]] bool is_uniform(const std::array<Eigen::Vector3d, 4>& corners,
                                BoardLight* light) const;

 private:
  /// Lines of the print along one axis, ascending; band k lies below lines[k].
  using Lines = std::vector<double>;

  /// Luminance of a square, negative off the board.
  [[nodiscard]] double value(std::size_t band_x, std::size_t band_y) const;

  Lines lines_x_, lines_y_;
  double white_, black_;
};

}  // namespace trueplate::synth::detail
