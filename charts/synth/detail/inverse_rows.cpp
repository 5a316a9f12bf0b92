#include "charts/synth/detail/inverse_rows.h"

#include <algorithm>

#include "calib/lens/rows.h"

namespace trueplate::synth::detail {
namespace {

/// Second derivative between b and c from four equally spaced values; one-sided where a neighbour
/// has no inverse, zero where both have none.
Point2d bend(const Point2d& a, const Point2d& b, const Point2d& c, const Point2d& d) {
  const Point2d left = a - 2.0 * b + c;
  const Point2d right = b - 2.0 * c + d;
  const bool has_left = left.allFinite();
  const bool has_right = right.allFinite();
  if (has_left && has_right) return 0.5 * (left + right);
  if (has_left) return left;
  if (has_right) return right;
  return {0.0, 0.0};
}

}  // namespace

InverseRows::InverseRows(const lens::Lens& lens, Projection projection, int x_begin, int num_cells)
    : lens_(lens), projection_(projection), x_begin_(x_begin) {
  for (std::size_t i = 0; i < storage_.size(); ++i) {
    storage_[i].x.resize(static_cast<std::size_t>(num_cells) + 3);
    storage_[i].y.resize(static_cast<std::size_t>(num_cells) + 3);
    rows_[i] = &storage_[i];
  }
}

void InverseRows::fill(Lattice& lattice, int y) const {
  if (projection_ == Projection::kLens) {
    lens::undistort_row(lens_, x_begin_ - 1.0, y, lattice.x, lattice.y);
    return;
  }
  for (std::size_t i = 0; i < lattice.x.size(); ++i) {
    lattice.x[i] = x_begin_ - 1.0 + static_cast<double>(i);
    lattice.y[i] = y;
  }
}

void InverseRows::move_to(int y) {
  int num_kept = 0;
  if (filled_ && y == y_) return;
  if (filled_ && y == y_ + 1) {
    std::rotate(rows_.begin(), rows_.begin() + 1, rows_.end());
    num_kept = 3;
  }
  for (int i = num_kept; i < 4; ++i) fill(*rows_[static_cast<std::size_t>(i)], y - 1 + i);
  y_ = y;
  filled_ = true;
}

InverseCell InverseRows::cell(int index) const {
  // Column `index + 1` of the lattice is the left edge of the pixel; row 1 is its top edge.
  const int c = index + 1;
  InverseCell cell{.at_00 = point(1, c),
                   .at_10 = point(1, c + 1),
                   .at_01 = point(2, c),
                   .at_11 = point(2, c + 1),
                   .bend_x = {0.0, 0.0},
                   .bend_y = {0.0, 0.0}};
  cell.valid = (cell.at_00 + cell.at_10 + cell.at_01 + cell.at_11).allFinite();
  if (!cell.valid) return cell;
  cell.bend_x = 0.5 * (bend(point(1, c - 1), cell.at_00, cell.at_10, point(1, c + 2)) +
                       bend(point(2, c - 1), cell.at_01, cell.at_11, point(2, c + 2)));
  cell.bend_y = 0.5 * (bend(point(0, c), cell.at_00, cell.at_01, point(3, c)) +
                       bend(point(0, c + 1), cell.at_10, cell.at_11, point(3, c + 1)));
  return cell;
}

}  // namespace trueplate::synth::detail
