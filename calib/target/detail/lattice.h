#pragma once

#include <Eigen/Core>
#include <map>
#include <utility>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/target/detail/smooth_grid.h"

namespace trueplate::target::detail {

/// A point of a grid as measured: a corner, a crossing of lines, a dot.
struct Node {
  Point2d p_px = {0.0, 0.0};
  Eigen::Matrix2d covariance_px2 = Eigen::Matrix2d::Zero();
  /// Unit vectors along row and column as the pixels show them; zero where they do not (dots).
  Point2d direction_u = {0.0, 0.0};
  Point2d direction_v = {0.0, 0.0};
  double blur_px = 0.0;
  /// Half of light - dark, with the kind's own meaning of the sign.
  double contrast = 0.0;
  double width_px = 0.0;  // of the line or dot; 0 for corners

  /// Standard deviation of one coordinate.
  [[nodiscard]] double sigma_px() const;
};

/// Column and row of a node.
using Place = std::pair<int, int>;

/// Measured nodes by (column, row). Right-handed on the screen (u to v turns clockwise, y down);
/// the origin is arbitrary.
class Lattice {
 public:
  [[nodiscard]] const std::map<Place, Node>& nodes() const { return nodes_; }
  [[nodiscard]] int size() const { return static_cast<int>(nodes_.size()); }
  void set(Place place, const Node& node) { nodes_[place] = node; }
  void erase(Place place) { nodes_.erase(place); }
  [[nodiscard]] const Node* find(Place place) const;

  [[nodiscard]] std::vector<GridPoint> points() const;
  /// Smallest and largest column and row; both (0, 0) when empty.
  [[nodiscard]] std::pair<Place, Place> bounds() const;

 private:
  std::map<Place, Node> nodes_;
};

/// Median blur, contrast and width of a lattice, to judge further nodes by.
struct Looks {
  double blur_px = 0.0;
  double contrast = 0.0;  // absolute value
  double width_px = 0.0;
};
Looks looks_of(const Lattice& lattice);
/// The same of the nodes at most `reach` columns and rows away: blur and light change over a frame.
/// Those of the whole lattice where there is none.
Looks looks_near(const Lattice& lattice, Place place, int reach);

}  // namespace trueplate::target::detail
