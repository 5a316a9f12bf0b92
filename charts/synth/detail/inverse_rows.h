#pragma once

#include <array>
#include <vector>

#include "calib/lens/lens.h"

namespace trueplate::synth::detail {

/// Which picture is rendered: the plate, seen through the lens, or the straight pinhole picture in
/// the same pixel frame.
enum class Projection { kLens, kPinhole };

/// The inverse lens inside one pixel: exact at its four corners and quadratic in between.
struct InverseCell {
  Point2d at_00, at_10, at_01, at_11;  // undistorted px of the corners (left/right, top/bottom)
  Point2d bend_x, bend_y;              // second derivatives along x and along y, px
  bool valid = false;                  // all four corners have an inverse

  /// Undistorted px of the place (s, t) of the pixel, both 0..1 from its top-left corner.
  /// kInverseCellTolerancePx bounds the error.
  [[nodiscard]] Point2d at(double s, double t) const {
    return (1.0 - t) * ((1.0 - s) * at_00 + s * at_10) + t * ((1.0 - s) * at_01 + s * at_11) -
           0.5 * (s * (1.0 - s)) * bend_x - 0.5 * (t * (1.0 - t)) * bend_y;
  }
};

/// Error of InverseCell::at for lenses as strong as those of the demo, away from the border of the
/// invertible area. What is left out is of third order: below 0.01 times the third derivative.
inline constexpr double kInverseCellTolerancePx = 1e-7;

/// The cells of one row of pixels after the other. Solves the inverse lens once per pixel corner;
/// not shared between threads.
class InverseRows {
 public:
  /// Cells of the pixels x_begin .. x_begin + num_cells - 1.
  InverseRows(const lens::Lens& lens, Projection projection, int x_begin, int num_cells);

  /// Makes cell() speak of pixel row y. Cheap when y is the row after the last one.
  void move_to(int y);
  [[nodiscard]] InverseCell cell(int index) const;

 private:
  struct Lattice {
    std::vector<double> x, y;
  };
  void fill(Lattice& lattice, int y) const;
  [[nodiscard]] Point2d point(int row, int column) const {
    const Lattice& lattice = *rows_[static_cast<std::size_t>(row)];
    const auto i = static_cast<std::size_t>(column);
    return {lattice.x[i], lattice.y[i]};
  }

  const lens::Lens& lens_;
  Projection projection_;
  int x_begin_;
  std::array<Lattice, 4> storage_;
  std::array<Lattice*, 4> rows_;  // lattice rows y - 1 .. y + 2
  int y_ = 0;
  bool filled_ = false;
};

}  // namespace trueplate::synth::detail
